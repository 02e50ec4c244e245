// All words of the page, by language. Another language is another entry beside `en`.

const WORDS = {
  en: {
    bench: "Bench",
    nav: "Views of this job",
    shop: "Shop",
    new_job: "New job",
    now: "Now",
    list: "All tests",
    suspects: "Suspects",
    history: "History",
    around: "Set-up",
    papers: "Papers",
    back: "Back",
    back_to_now: "Back to what is next",
    loading: "Reading ...",
    error: "That did not work: {detail}",

    do_next: "Do next",
    do_again: "Do again",
    out_of_turn: "Out of turn",
    no_longer: "This test cannot be chosen now.",
    mind: "Mind first",
    as_before: "As before: {names}",
    open_first: "Open first",
    controls: "Controls",
    red: "Red",
    black: "Black",
    tip: "Tip",
    clip: "Clip",
    good_is: "Good is",
    with_tool: "With",
    takes: "Takes",
    what_shows: "What does it show?",
    what_reads: "What does the meter read?",
    what_watched: "{watched}?",
    reading: "Reading",
    take_reading: "Take {reading}",
    take_empty: "Type the reading",
    delete_last: "Delete last",
    sign: "Plus or minus",
    point: "Decimal point",
    unit_now: "Unit: {unit}. Change.",
    between: "Between {low} and {high} {unit}.",
    more_results: "{count} more results",
    unsteady: "Comes and goes",
    cannot: "Cannot do it",
    cannot_why: "Why not?",
    cannot_tool: "Tool is not here",
    cannot_reach: "Cannot reach it",
    cannot_refused: "Refused",
    cannot_note_tool: "tool not here",
    cannot_note_reach: "cannot be reached",
    cannot_note_refused: "refused",
    in_passing: "Only seen in passing, not sure",
    minutes_and_why: "{minutes} min, and why",
    bits: "Tells {bits} bits, {rate} a minute.",
    each_leaves: "What each answer would mean",
    would_read: "The meter would read",
    all_good: "all good",
    cannot_be: "cannot be, by what was found",
    done_already: "Found before: {result}. What you take now is a second look.",
    see_list: "Another test",
    waiting_card: "Your answer is kept in this tablet. The next advice comes when the bench answers again.",

    repair_it: "Repair",
    repair_chance: "{chance} that it ends the complaint",
    repair_takes: "{minutes} min with trying it, {price}",
    parts_for: "parts {price} EUR",
    no_parts: "no parts",
    licensed: "Only for a licensed hand.",
    repair_done: "Done. Now try it",
    repair_other: "Another repair",
    try_it: "Try it, and every interlock",
    try_was: "After: {repair}",
    try_what: "What does it do now?",
    shown_runs: "Starts and runs",
    shown_same: "The same",
    shown_other: "Something else",
    now_this: "Now this",
    hand_over: "Hand over",
    hand_over_do: "Hand this machine over",
    runs: "It runs",
    close_job: "Close the job",
    reopen: "Open it again",
    is_closed: "This job is closed",
    is_handed_over: "Handed over",
    closed_how: "It ended: {ended}.",
    go_on_anyway: "Go on testing",

    drawing: "Drawing",
    drawing_of: "Start circuit. Move it with one finger, zoom with two; tap a part for more.",
    zoom_in: "Larger",
    zoom_out: "Smaller",
    zoom_probe: "Probe",
    zoom_all: "Whole",
    drawing_marks: "R and B: probes. Hatched and shaded with a percentage: suspects. Green frame with a tick: proven good.",
    no_drawing: "There is no drawing now.",
    close_part: "Close",
    modes_of: "How it may have failed",
    tests_of: "Tests of it",
    repairs_of: "How it is put right",
    proven_good: "proven good",
    test_done: "done",
    nothing_known: "Nothing.",

    suspects_in_order: "Repairs, and what they would end",
    suspects_order_told: "In the order in which they come up. The mark in a bar is where it stood before the last answer.",
    ends_complaint: "ends the complaint",
    then_to_go: "{minutes} min to go on average after it",
    other_suspects: "Other suspects",
    left_out: "Combinations that were not looked at: {share} at most.",
    moved_up: "up from {was}",
    moved_down: "down from {was}",
    moved_most: "Moved most",
    certain: "all but certain",
    likely: "likely",
    may_be: "may well be",
    possible: "possible",
    unlikely: "unlikely",
    hardly: "hardly",
    unlisted: "Something this file does not list",

    history_of: "What was said, found and done",
    take_back: "Take back the last thing",
    withdraw: "Withdraw",
    was_undone: "taken back",
    by: "by {name}",
    opened: "Opened: {complaint}",
    step_told: "The customer means: {complaint}",
    step_finding: "{test}: {result}",
    step_looked_again: "Looked again. {test}: {result}",
    step_withdrawn: "Withdrawn: {test}",
    step_set_aside: "Set aside: {test} ({note})",
    step_area_opened: "Opened: {area}",
    step_area_closed: "Closed: {area}",
    step_tools: "Tools at hand: {tools}",
    step_repaired: "Repaired. {repair}: {shown}",
    step_tried: "Tried: {shown}",
    step_handed_over: "Handed over. {note}",
    step_closed: "Closed: {ended}",
    step_reopened: "Opened again. {note}",
    step_moved: "Goes on with the machine's file as it is now",
    step_undone: "Taken back",
    no_reason: "no reason given",
    all_tools: "all",
    not_tried: "not tried yet",
    ended_runs: "it runs",
    ended_handed_over: "handed over",
    ended_given_up: "given up",
    ended_no_fault_found: "no fault found",

    online: "Connected",
    away: "No connection",
    waits_one: "1 step waits in this tablet",
    waits_many: "{count} steps wait in this tablet",
    sent: "everything is kept",
    unkept: "waits for you to choose: {count}",
    another: "Another tablet: {steps}",
    conflict: "Two at once",
    conflict_told: "Another tablet went on while you tapped. Nothing of yours or theirs was overwritten.",
    theirs: "Theirs, kept",
    yours: "Yours, not kept yet",
    keep_mine: "Keep mine as well",
    leave_mine: "Leave mine out",
    refused: "Not taken",
    refused_told: "The bench did not take this step: {detail}",
    leave_refused: "Leave it out",

    all_tests: "All tests, best first",
    find_test: "Find a test",
    list_told: "Any of them may be done out of turn.",
    list_line: "{minutes} min, {rate} bits a minute",
    while_open: "While it stands open",
    saved: "saves {minutes} min of opening",
    not_offered: "Done, set aside, or not possible now",
    worth: "worth doing",

    open_title: "New job",
    which_machine: "Which machine?",
    what_said: "What did the customer say?",
    not_sure: "Not sure. Try it now",
    not_sure_told: "Try it, then choose what it does. It counts as seen, not as told.",
    what_does: "What does it do?",
    reference: "The shop's number for it (may stay empty)",
    tools_here: "Tools at hand",
    tools_told: "All are at hand unless you take some away.",
    noticed: "Noticed on the way in",
    noticed_told: "Only what you saw. It counts a little less than a test.",
    not_looked: "not looked",
    celsius: "Battery temperature, degrees Celsius",
    start: "Start",
    choose_first: "Choose a machine and a complaint first.",
    seen_on_trying: "seen",

    shop_title: "On the bench",
    none_open: "No open jobs.",
    on_clock: "{minutes} min since opened",
    left: "about {minutes} min left, without further tests",
    to_order: "Likely to be ordered today",
    to_order_told: "Expected over all open jobs: how many of each part will be needed.",
    order_line: "{count} expected, {price} EUR each",
    nothing_to_order: "Nothing.",
    closed_title: "Closed",
    search: "Search",
    more: "More",
    no_reference: "no number",
    status_open: "open",
    status_runs: "runs",
    status_handed_over: "handed over",
    status_closed: "closed",

    closing_title: "Close the job",
    question_of: "Question {place} of {count}.",
    cause_what: "What was wrong?",
    cause_none: "Nobody knows",
    cause_else: "Something the file does not list",
    cause_seen: "Did you see the broken part itself?",
    yes: "Yes",
    no: "No",
    labour: "Minutes of labour in all",
    made_it_fail: "What had made it fail? (may stay empty)",
    next: "Next",
    close_it: "Close it",
    ends_as: "It ends as: {ended}.",

    around_title: "Set-up of this job",
    complaint_now: "The customer means",
    areas: "What is open now",
    area_open: "yes",
    area_closed: "no",
    tools_title: "Tools at hand",
    tools_save: "Keep these tools",
    give_up: "The job goes to somebody else",
    note: "Note",
    my_name: "Your name, for the steps you take (may stay empty)",

    sheet: "Finding sheet",
    card: "Decision card",
    sheet_told: "What was found and done, on one page.",
    card_told: "The first decisions for this complaint, for the wall, on two pages.",
    print: "Print",
    order_no: "Job",
    reference_short: "Number",
    when: "As of",

    key_title: "Key",
    key_told: "This bench is opened from another computer. Enter the key you were given, once. It stays in this browser, where other sites cannot read it.",
    key: "Key",
    key_wrong: "That key does not hold.",
    key_use: "Use it",
    key_forget: "Forget the key of this tablet",
    key_forgotten: "The key is forgotten.",
    announce_test: "Next: {title}. Good is: {good}.",
    announce_repair: "Next: repair. {title}.",
    announce_escalate: "Next: hand over.",
    announce_done: "It runs. Close the job.",
  },
};

const LANGUAGE = Object.keys(WORDS).find((one) => navigator.language.startsWith(one)) ?? "en";
const known = WORDS[LANGUAGE];

/** The words for something, its values put in. */
export function say(name, values = {}) {
  const text = known[name] ?? name;
  return text.replace(/\{(\w+)\}/g, (_, value) => values[value] ?? "");
}

/** A chance as a whole percentage, never rounded to none or all. */
export function percent(share) {
  if (share > 0 && share < 0.005) return "<1 %";
  if (share < 1 && share >= 0.995) return ">99 %";
  return `${Math.round(100 * share)} %`;
}

/** The same in a word. */
export function likelihood(share) {
  if (share >= 0.95) return say("certain");
  if (share >= 0.6) return say("likely");
  if (share >= 0.3) return say("may_be");
  if (share >= 0.1) return say("possible");
  return say(share >= 0.02 ? "unlikely" : "hardly");
}

/** Minutes in two digits at most. */
export function minutes(value) {
  if (value < 9.95) return String(Math.round(10 * value) / 10);
  return value < 99.5 ? String(Math.round(value)) : String(10 * Math.round(value / 10));
}

export const number = (value) => String(Number(value.toPrecision(6)));
export const rate = (value) => value.toPrecision(2);
export const price = (value) => value.toFixed(value < 10 && value % 1 ? 2 : 0);

/** Day and time here, `2026-11-26 14:05`. */
export function when(text) {
  const at = new Date(text);
  const two = (value) => String(value).padStart(2, "0");
  return `${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())} ${two(at.getHours())}:${two(at.getMinutes())}`;
}

export const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);

document.documentElement.lang = LANGUAGE;
