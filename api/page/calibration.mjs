// Whether chances are meant: what was said of causes of later jobs against how often it came.
import { html } from "./html.mjs";
import { percent, say } from "./words.mjs";

const SIDE = 300, EDGE = 44;
const TICKS = [0, 0.25, 0.5, 0.75, 1];

export function Calibration({ judged }) {
  const bins = judged.calibration;
  if (bins.length === 0) return null;
  const x = (share) => EDGE + share * SIDE;
  const y = (share) => 12 + (1 - share) * SIDE;
  const within = bins.filter((one) => one.observed >= one.low && one.observed <= one.high).length;
  return html`<section aria-labelledby="calibration-title"><h3 id="calibration-title">${say("calibration")}</h3>
    <p class="small">${say("calibration_told")}</p><p>${say("calibration_within", { within, count: bins.length })}</p>
    <div class="calibration"><svg viewBox=${`0 0 ${EDGE + SIDE + 12} ${SIDE + 62}`} role="img" aria-label=${say("calibration_within", { within, count: bins.length })}>
      ${TICKS.map((one) => html`<g key=${one} class="tick"><path d=${`M${x(one)} ${y(0)}V${y(1)}M${x(0)} ${y(one)}H${x(1)}`} /><text x=${x(one)} y=${y(0) + 18} text-anchor="middle">${Math.round(100 * one)}</text><text x=${x(0) - 6} y=${y(one) + 5} text-anchor="end">${Math.round(100 * one)}</text></g>`)}
      <path class="meant" d=${`M${x(0)} ${y(0)}L${x(1)} ${y(1)}`} />
      ${bins.map((one, place) => html`<g key=${place} class="bin"><path d=${`M${x(one.predicted)} ${y(one.low)}V${y(one.high)}M${x(one.predicted) - 5} ${y(one.low)}h10M${x(one.predicted) - 5} ${y(one.high)}h10`} />
        <circle cx=${x(one.predicted)} cy=${y(one.observed)} r="6" /><text x=${x(one.predicted) + 9} y=${y(one.observed) + 5}>${place + 1}</text></g>`)}
      <text x=${x(0.5)} y=${y(0) + 40} text-anchor="middle">${say("said_axis")}</text>
      <text transform=${`translate(12 ${y(0.5)}) rotate(-90)`} text-anchor="middle">${say("came_axis")}</text></svg>
    <table class="form numbers"><thead><tr><th scope="col">${say("bin")}</th><th scope="col">${say("said")}</th><th scope="col">${say("came")}</th><th scope="col">${say("if_meant")}</th><th scope="col">${say("cases")}</th></tr></thead>
      <tbody>${bins.map((one, place) => html`<tr key=${place}><th scope="row">${place + 1}</th><td>${percent(one.predicted)}</td><td>${percent(one.observed)}</td><td>${say("low_high", { low: percent(one.low), high: percent(one.high) })}</td><td>${one.cases}</td></tr>`)}</tbody></table></div></section>`;
}
