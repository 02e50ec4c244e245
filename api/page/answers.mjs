// From a tap to steps: the finding, or the second look at one, and what was opened for it.

const IN_PASSING = 0.8;

/** Takes what a test gave, `{outcome}`, `{reading, unit}` or `{kind: "set_aside", note}`. */
export function takeOf(bench, test, unsure = false) {
  return async (given, said) => {
    bench.minded(test.cautions);
    const words = `${test.title}: ${said}`;
    if (given.kind === "set_aside") {
      await bench.record([{ ...given, test: test.test }], words);
    } else {
      await bench.record(found(bench.advice, test, given, unsure), words);
    }
    location.hash = `#/job/${bench.id}`;
  };
}

function found(advice, test, given, unsure) {
  const known = advice.findings.some((one) => one.test === test.test && one.repairs_before === advice.repairs.length);
  if (known) return [{ kind: "looked_again", test: test.test, ...given }];
  const sure = unsure ? { sure: IN_PASSING } : {};
  const steps = [{ kind: "finding", test: test.test, ...given, ...sure }];
  const area = test.opens.at(-1);
  if (area && !unsure) steps.push({ kind: "area_opened", area: area.id });
  return steps;
}
