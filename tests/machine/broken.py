"""Ways to break the good machine file, rule by rule; `@@` marks the place of the first problem."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Case:
    """`rules`: all problems that the edits cause; the first one is the one at `@@`."""

    rules: str
    edits: dict[str, str]
    words: tuple[str, ...] = ()

    @property
    def rule(self) -> str:
        return self.rules.split()[0]


def case(rules: str, edits: dict[str, str], *words: str) -> Case:
    return Case(rules, edits, words)


NEW, CHARGED = "Fit a new battery, minutes: 12,", "part: battery, repair: charge"

SYNTAX = [
    case("yaml_syntax", {"title: Larkfield barn cart": "title: Larkfield@@: barn cart"}),
    case("yaml_alias wrong_type", {"{title: Seat,": "{title: @@*seat,"}, "*seat"),
    case("yaml_tag", {"{title: Seat,": "{title: @@!seat Seat,"}, "!seat"),
    case("duplicate_key", {"    amps: 3\n": "    amps: 3\n    @@amps: 4\n"}, "'amps'", "twice"),
    case("key_not_text", {"  silent: {title": "  @@true: {title"}, "quotes"),
]

SCHEMA = [
    case("missing_key", {"  lamp:\n": "  @@lamp:\n", "    title: Work lamp\n": ""}, "`title`"),
    case(
        "missing_key", {"lamp:\n    kind: load": "@@lamp:\n   "}, "`kind`", "battery, charge, wire"
    ),
    case("unknown_key", {"cold_cranking": "@@cold_craking"}, "`cold_cranking_amps`"),
    case("unknown_key", {"notes: Sta": "@@paint: Sta"}, "`paint`", "nominal_volts"),
    case("unit_missing", {"{at_least_volts: 12.4}": "{@@volts: 12.4}"}, "`at_least_volts`"),
    case("unknown_key missing_key", {"button_out, against": "button_out, @@agianst"}, "`against`"),
    case("unknown_key", {"\nareas:": "\n@@aereas:"}, "`areas`"),
    case("unit_missing missing_key", {"nominal_volts: 12": "@@nominal: 12"}, "`nominal_volts`"),
    case("unit_missing missing_key", {"metres: 0.6": "@@length: 0.6"}, "`metres`"),
    case("unit_missing missing_key", {"minutes: 30,": "@@time: 5 min,"}, "`minutes`"),
    case("number_as_text", {"minutes: 30,": 'minutes: @@"5 min",'}, "'5 min'", "of minutes"),
    case("number_as_text", {"amps: 20": "amps: @@1_000"}, "'1_000'", "number of amps"),
    case("wrong_type", {'version: "1"': "version: @@1"}, "met 1", "expected text"),
    case("wrong_type", {"nominal_volts: 12": "nominal_volts: @@true"}, "met True", "a number"),
    case("wrong_type", {"closes: [key_switch]}": "closes: @@key_switch}"}, "expected a list"),
    case("wrong_type", {"normal: {at_least_volts: 8.6}": "normal: @@8.6"}, "a mapping"),
    case("wrong_choice", {"kind: fuse\n": "kind: @@fues\n"}, "'fuse'"),
    case(
        "wrong_choice",
        {"coil_ohms: 4\n": "coil_ohms: 4\n    contacts: @@normaly_open\n"},
        "'normally_open'",
    ),
    case("out_of_range", {"metres: 0.8": "metres: @@-1"}, "met -1", "greater than 0"),
    case("out_of_range", {"metres: 0.8": "metres: @@.nan"}, "finite"),
    case("negative_minutes", {"minutes: 30,": "minutes: @@-30,"}, "met -30"),
    case("empty", {"{cranks: [slow]}": "{cranks: @@[]}"}, "at least one"),
    case("empty", {"says: {cranks: [slow]}": "says: @@{}"}, "at least one"),
    case("empty", {"fixes: [low, flat]": "fixes: @@[]"}, "at least one"),
    case("id_pattern", {"  silent: {title": "  @@Silent: {title"}, "'Silent'"),
    case("source_missing", {"    amps: 3\n    source: estimate": "    @@amps: 3"}, "parts.lamp"),
    case(
        "source_missing",
        {"shop: {labour": "shop: {@@labour", "180, source: estimate}": "180}"},
        "shop",
    ),
    case("prior_too_high", {"per_1000_jobs: 180": "per_1000_jobs: @@1800"}, "met 1800"),
    case("part_without_net", {"  start_button:": "  @@start_button:", "    to: button_out\n": ""}),
]

NAMES = [
    case("unknown_net", {"to: lamp_in": "to: @@lamp_inn"}, "'lamp_in'"),
    case("unknown_net", {"frame_net: frame": "frame_net: @@fram"}, "'frame'"),
    case("unknown_net", {"red: coil_in": "red: @@coil_im"}, "'coil_in'"),
    case("unknown_net", {"against: batt_minus": "against: @@bat_minus"}, "'batt_minus'"),
    case("unknown_part", {"part: starter_motor": "part: @@starter_moter"}, "'starter_motor'"),
    case("unknown_part", {"[main_fuse], area": "[@@mian_fuse], area"}, "'main_fuse'"),
    case("unknown_part", {"[relay_plug], cond": "[@@relay_plugg], cond"}, "'relay_plug'"),
    case(
        "unknown_part",
        {"function: cranks, minutes: 3,": "function: cranks, minutes: 3, unplugged: [@@lamps],"},
        "'lamp'",
    ),
    case("unknown_switch", {"start_button]}": "@@start_buton]}"}, "'start_button'"),
    case("unknown_switch", {"start_button]}": "start_button, @@lamp]}"}, "is a load"),
    case("unknown_generator", {"running: [charger]": "running: [@@charge]"}, "'charger'"),
    case("unknown_mode", {"dead_cell: {": "@@dead_cel: {"}, "'dead_cell'", "battery"),
    case("unknown_mode", {"fixes: [low, flat]": "fixes: [low, @@flt]"}, "'flat'"),
    case("unknown_mode", {"[no_output, weak]": "[no_output, @@week]"}, "'weak'"),
    case("unknown_mode", {"modes: [open, shorted]": "modes: [open, @@short]"}, "'shorted'"),
    case("unknown_mode", {"modes: [open], f": "modes: [@@blown, open], f"}, "open, resistive"),
    case(
        "unknown_mode", {NEW: f"{NEW} after: {{{CHARGED}, unless: [@@ded_cell]}},"}, "'dead_cell'"
    ),
    case(
        "unknown_repair",
        {NEW: f"{NEW} after: {{part: battery, repair: @@chrge}},"},
        "'charge'",
        "of battery",
    ),
    case("after_another", {NEW: f"{NEW} after: {{part: battery, repair: @@replace}},"}, "itself"),
    case("unknown_area", {"    area: seat\n": "    area: @@seet\n"}, "'seat'"),
    case("unknown_area", {"inside: seat": "inside: @@seet"}, "'seat'"),
    case(
        "unknown_tool",
        {"  test_lamp: {title: test lamp}\n": "", "  fuse_lamp:": "  @@fuse_lamp:"},
        "'test_lamp'",
    ),
    case("unknown_caution", {"flat], cautions: [spark]": "flat], cautions: [@@sparks]"}, "'spark'"),
    case(
        "unknown_condition",
        {"lamp\n    condition: key_on": "lamp\n    condition: @@keyon"},
        "'key_on'",
    ),
    case("unknown_function", {"needs: {cranks:": "needs: {@@crank:"}, "'cranks'"),
    case("unknown_function", {"n: relay_click,": "n: @@relay_clik,"}, "'relay_click'"),
    case("unknown_level", {"{cranks: [slow]}": "{cranks: [@@slowly]}"}, "'slow'"),
    case("unknown_level", {"[silent]": "[@@silence]"}, "'silent'"),
    case("unknown_level", {"lights: [on, dim]": "lights: [@@bright, on]"}, "on, dim, off"),
    case("unknown_level", {"worn: {per": "worn: {at_best: @@3, per"}, "last level is 2"),
    case("unknown_level", {"complaints:": "works: {cranks: [@@well]}\ncomplaints:"}, "normal"),
    case("unknown_function", {"complaints:": "works: {@@crank: [slow]}\ncomplaints:"}, "'cranks'"),
    case("unknown_cause", {"cause: rodent_nest": "cause: @@rodents_nest"}, "'rodent_nest'"),
    case("unknown_test", {"[battery_rest]": "[@@battery_rests]"}, "'battery_rest'"),
    case("unknown_kind", {"{kind: fuse, areas": "{kind: @@fuze, areas"}, "'fuse'"),
]

SPARE = "    source: estimate\n    modes: {open: {per_1000_jobs: 1}}\n"
LAST_PART = "shared_causes:\n"

WIRING = [
    case(
        "charge_place",
        {
            "  relay_plug:\n    kind: connector": "  @@relay_plug:\n    kind: charge",
            "modes: {open: {per_1000_jobs: 4}, resistive: {per_1000_jobs: 9}, "
            "loose: {per_1000_jobs: 5}}": "modes: {half: {per_1000_jobs: 4}}",
        },
        "touches no battery",
    ),
    case("unused_net", {"\ncautions:": "\n  @@spare: a spare wire's end\ncautions:"}, "no part"),
    case(
        "dead_end_net",
        {"to: lamp_in": "to: @@lamp_in", "from: lamp_in": "from: key_out"},
        "'lamp_in'",
    ),
    case(
        "same_net",
        {
            "lamp_wire:": "@@lamp_wire:",
            "    to: lamp_in": "    to: key_out",
            "from: lamp_in": "from: key_out",
            "  lamp_in: the lamp's plug\n": "",
        },
        "'key_out'",
    ),
    case(
        "plus_minus_joined",
        {
            "  battery:\n": "  @@battery:\n",
            LAST_PART: "  strap:\n    kind: ground\n    title: Strap\n    from: stud_in\n"
            f"    to: frame\n{SPARE}{LAST_PART}",
        },
        "without a load",
    ),
    case(
        "load_not_between",
        {"  lamp:\n": "  @@lamp:\n", "lamp_in\n    to: frame": "lamp_in\n    to: fused"},
        "'fused'",
        "plus side",
    ),
    case(
        "load_not_between",
        {
            "  charger:\n": "  @@charger:\n",
            "plus: stud_in\n    minus: frame": "plus: frame\n    minus: stud_in",
        },
        "minus side ('frame')",
    ),
    case(
        "floating_part load_not_between",
        {
            "\ncautions:": "\n  one: one end\n  two: other end\ncautions:",
            LAST_PART: "  @@stray:\n    kind: wire\n    title: Stray\n    from: one\n    to: two\n"
            f"    awg: 18\n    metres: 1\n{SPARE}"
            "  stray_lamp:\n    kind: load\n    title: Lamp\n    from: two\n    to: one\n"
            f"    watts: 5\n{SPARE}{LAST_PART}",
        },
        "neither",
    ),
    case(
        "no_source cause_raises unknown_mode unknown_mode unknown_mode unknown_mode part_kind",
        {
            "\nparts:\n": "\n@@parts:\n",
            "kind: battery\n": "kind: load\n",
            "plus: batt_plus\n    minus: batt_minus\n": "from: batt_plus\n    to: batt_minus\n"
            "    watts: 5\n",
            "    cold_cranking_amps: 230\n": "",
            "low: {per_1000_jobs: 180}\n      flat: {per_1000_jobs: 120, title: "
            "flat after the winter}\n      dead_cell": "open",
            "fixes: [low, flat]": "fixes: [open]",
            "kind: generator\n": "kind: load\n",
            "plus: stud_in\n    minus: frame": "from: stud_in\n    to: frame\n    watts: 5",
            "{no_output: {per_1000_jobs: 18}, weak: {per_1000_jobs: 9}}": (
                "{open: {per_1000_jobs: 9}}"
            ),
            ", running: [charger]}": "}",
        },
        "neither a battery nor a generator",
    ),
    case(
        "unknown_terminal",
        {"    coil_ohms: 4\n": "    coil_ohms: 4\n    pins: {coil_in: '86', @@coil_ou: '85'}\n"},
        "'coil_out'",
    ),
    case("fuse_too_small", {"    amps: 20": "    amps: @@5"}, "start_held", "lamp 3 A"),
    case("wire_size", {"lamp_wire:": "@@lamp_wire:", "    awg: 18\n": ""}, "neither"),
    case(
        "wire_size",
        {"lamp_wire:": "@@lamp_wire:", "    awg: 18\n": "    awg: 18\n    mm2: 1\n"},
        "both",
    ),
    case("load_size", {"  lamp:\n": "  @@lamp:\n", "    amps: 3\n": ""}, "none", "`watts`"),
    case(
        "load_size",
        {"  lamp:\n": "  @@lamp:\n", "    amps: 3\n": "    amps: 3\n    ohms: 4\n"},
        "`ohms` and `amps`",
    ),
    case("relay_drop_out", {"drop_out_volts: 4": "drop_out_volts: @@7.2"}, "7.2 V"),
    case("input_bounds", {"inputs: [{net": "inputs: [@@{net", ", at_least_volts: 6}": "}"}),
]

FUEL = "  charger:\n    kind: generator\n"
EMPTY = "{kind: mechanical, title: Fuel, source: estimate, modes: {@@empty: {per_1000_jobs: 1}}}"
HOLDS_BACK = EMPTY.replace("@@", "").replace("1}", "1, at_most: {cranks: none}}")
FUELLED = f"  fuel: {HOLDS_BACK}\n{FUEL}"
LAMP_OPEN = "modes: {open: {per_1000_jobs: 20}}"
LOOK_IN = (
    "{kind: inspect, title: See, parts: [lamp], modes: [@@opne], minutes: 1, source: estimate}"
)
THROUGH = "{kind: ohms, title: Ohms, parts: [@@fuel], minutes: 1, source: estimate}"

CLAMPED = (
    "{kind: amps, title: Amps, condition: key_on, parts: [@@fuel], minutes: 1, source: estimate, "
    "outcomes: {some: {at_least_amps: 1}, none: {}}}"
)

MECHANICAL = [
    case("mode_without_effect", {FUEL: f"  fuel: {EMPTY}\n{FUEL}"}, "`at_most` or `acts_as`"),
    case(
        "unknown_level",
        {LAMP_OPEN: LAMP_OPEN.replace("20", "20, at_most: {cranks: @@slwo}")},
        "'slow'",
    ),
    case(
        "unknown_mode",
        {LAMP_OPEN: LAMP_OPEN.replace("20", "20, acts_as: {charger: @@weka}")},
        "'weak'",
    ),
    case(
        "acts_as_itself",
        {LAMP_OPEN: LAMP_OPEN.replace("20", "20, @@acts_as: {lamp: open}")},
        "another part",
    ),
    case("unknown_mode", {"tests:\n": f"tests:\n  see: {LOOK_IN}\n"}, "'open'"),
    case("part_kind", {FUEL: FUELLED, "tests:\n": f"tests:\n  ohms: {THROUGH}\n"}, "expected wire"),
    case(
        "part_kind",
        {FUEL: FUELLED, "tests:\n": f"tests:\n  amps: {CLAMPED}\n"},
        "part of the circuit",
    ),
]

ENTRIES = [
    *MECHANICAL,
    case(
        "unit_of_one",
        {
            "title: Key switch\n": "title: Key switch\n    unit: @@key_switch\n",
            "title: Start button\n": "title: Start button\n    unit: panel\n",
            "title: Start module\n": "title: Start module\n    unit: panel\n",
            "    modes: {open: {per_1000_jobs: 11}}\n": "    modes: {open: {per_1000_jobs: 11}}\n"
            "    repairs: {replace: {title: New, minutes: 9}}\n",
        },
        "only 'key_switch'",
        "at least two",
    ),
    case(
        "unit_of_one unit_of_one",
        {
            "title: Key switch\n": "title: Key switch\n    unit: @@key_lock\n",
            "title: Start button\n": "title: Start button\n    unit: key_locks\n",
        },
        "nearest is 'key_locks'",
    ),
    case(
        "unit_name",
        {
            "title: Key switch\n": "title: Key switch\n    unit: @@battery\n",
            "title: Start button\n": "title: Start button\n    unit: battery\n",
        },
        "is a part, of kind battery",
        "a name of its own",
    ),
    case(
        "unit_not_replaced",
        {
            "title: Key switch\n": "title: Key switch\n    unit: @@key_lock\n",
            "title: Start button\n": "title: Start button\n    unit: key_lock\n",
        },
        "key_switch, start_button",
    ),
    case("id_pattern", {"title: Key switch\n": "title: Key switch\n    unit: @@Lock\n"}, "'Lock'"),
    case("reserved_id", {"flat: {}}": "@@unsteady: {}}"}, "`unsteady`"),
    case("reserved_id", {"{open: {per_1000_jobs: 20}}": "{@@ok: {per_1000_jobs: 20}}"}, "`ok`"),
    case(
        "prior_sum", {"modes:\n      low": "@@modes:\n      low", "jobs: 180": "jobs: 900"}, "1035"
    ),
    case("part_without_mode", {"modes: {open: {per_1000_jobs: 11}}": "@@modes: {}"}),
    case("area_cycle", {"inside: null": "inside: @@tray"}, "seat -> tray -> seat"),
    case(
        "needs_cycle",
        {"title: Battery at rest": "title: Battery\n    needs: @@[trigger_ohms]"},
        "battery_rest -> trigger_ohms -> battery_rest",
    ),
    case("needs_cycle", {"needs: {cranks: [normal], ": "needs: @@{runs: [yes], "}, "runs -> runs"),
    case(
        "thresholds_order",
        {"low: {at_least_volts: 12.0}": "low: {at_least_volts: @@12.5}"},
        "12.5 after 12.4",
    ),
    case("thresholds_order", {"slow: {at_least_volts: 4.0}": "slow: {at_least_volts: @@8.6}"}),
    case("last_has_bound", {"off: {}": "off: {at_least_volts: @@1}"}, "no bound"),
    case("missing_key", {"normal: {at_least_amps: 50}": "@@normal: {}"}, "`at_least_amps`"),
    case(
        "too_few_outcomes",
        {
            "outcomes: {charged: ": "@@outcomes: {",
            "{at_least_volts: 12.4}, low: {at_least_volts: 12.0}, flat: {}}": "flat: {}}",
        },
        "at least two",
    ),
    case("function_part", {"part: starter_motor": "part: @@lamp"}, "is a load", "motor"),
    case("function_part", {"part: start_relay, cond": "part: @@lamp, cond"}, "a relay"),
    case(
        "probes_same",
        {"probes: {red: coil_in, black: frame}": "@@probes: {red: coil_in, black: coil_in}"},
        "'coil_in'",
    ),
    case(
        "probes_unconnected floating_part dead_end_net dead_end_net",
        {
            "\ncautions:": "\n  one: one end\n  two: other end\ncautions:",
            "probes: {red: coil_in": "@@probes: {red: one",
            LAST_PART: "  stray:\n    kind: wire\n    title: Stray\n    from: one\n    to: two\n"
            f"    awg: 18\n    metres: 1\n{SPARE}{LAST_PART}",
        },
        "'one'",
        "'frame'",
    ),
    case(
        "not_in_series",
        {"parts: [key_switch, start_button]": "@@parts: [key_switch, start_button, lamp_wire]"},
        "one line",
    ),
    case(
        "not_in_series",
        {"parts: [key_switch, start_button]": "@@parts: [key_switch, starter_cable]"},
    ),
    case(
        "part_count",
        {"    parts: [starter_cable]": "    @@parts: [starter_cable, lamp]"},
        "met 2",
        "exactly one",
    ),
    case("part_count", {"parts: [relay_plug], cond": "@@parts: [], cond"}, "at least one"),
    case("part_kind", {"parts: [battery]\n    amps": "parts: [@@lamp]\n    amps"}, "battery"),
    case(
        "part_kind",
        {"Jump the relay's studs, parts: [start_relay]": "Jump the lamp, parts: [@@lamp]"},
        "is a load",
    ),
    case(
        "look_subject",
        {
            "  see_nest:": "  @@see_nest:",
            "cause: rodent_nest,": "cause: rodent_nest, parts: [lamp],",
        },
        "parts and cause",
    ),
    case(
        "condition_differs",
        {"function: lamp_lights,": "function: lamp_lights, condition: @@rest,"},
        "'key_on'",
    ),
    case("cause_prior", {"  rodent_nest:": "  @@rodent_nest:", "    per_1000_jobs: 120\n": ""}),
    case(
        "cause_prior",
        {"  not_charging:": "  @@not_charging:", "    modes: [no_output, weak]\n": ""},
        "`modes`",
    ),
    case("cause_raises", {"{kind: fuse, areas: [seat],": "@@{areas: [seat],"}, "`parts`, `kind`"),
    case("cause_raises", {"{kind: fuse, areas: [seat],": "@@{kind: fuse, areas: [tray],"}),
    case(
        "cause_raises",
        {"raises: [{parts: [battery],": "raises: [{areas: @@[tray], parts: [battery],"},
        "`areas`",
    ),
    case(
        "caution_missing",
        {
            "  coil_volts:": "  @@coil_volts:",
            "frame}\n    minutes: 3\n    cautions: [cranking]": "frame}\n    minutes: 3",
        },
        "may crank",
    ),
    case(
        "caution_missing",
        {
            "replace: {title: Fit a new relay, minutes: 20, price_eur: 32, "
            "cautions: [spark]}": "@@replace: {title: New, minutes: 20}"
        },
        "handles a relay",
    ),
    case(
        "caution_missing",
        {
            "  see_fuse:": "  @@see_fuse:",
            "[main_fuse], area: seat, minutes: 1, "
            "cautions: [spark],": "[main_fuse], area: seat, minutes: 1,",
        },
        "opens 'seat'",
    ),
]

CAUSES = "shared_causes:\n"
NEST = "{title: Nest, per_1000_jobs: 1, raises: [{parts: [lamp], modes: [open], factor: 2}]"

SUMS = [
    case(
        "comma_in_text", {"No sparks near the battery.": "No sparks, @@near the battery."}, "quotes"
    ),
    case("hidden_character", {"title: Work lamp": 'title: @@"Work \\u202elamp"'}, "U+202E"),
    case("hidden_character", {"title: Work lamp": 'title: @@"Work \\alamp"'}, "U+0007"),
    case("text_too_long", {"title: Work lamp": f"title: @@{'Work lamp ' * 500}"}, "4,999 letters"),
    case("out_of_range", {"metres: 0.8": "metres: @@1e308"}, "at most 10000"),
    case("out_of_range", {"metres: 0.8": "metres: @@1e-320"}, "at least 0.0001"),
    case("out_of_range", {"jobs: 180": "jobs: @@1e-320"}, "at least 1e-09"),
    case(
        "prior_certain",
        {
            "    per_1000_jobs: 120\n": "    per_1000_jobs: 0.5\n",
            "shorted], factor: 8": "shorted], factor: @@5000",
        },
        "rodent_nest",
    ),
    case(
        "cause_cycle",
        {
            CAUSES: f"{CAUSES}  hot: {{title: Hot, part: @@lamp, modes: [open], raises: "
            "[{parts: [lamp_wire], modes: [open], factor: 2}], source: estimate}\n"
            "  dim: {title: Dim, part: lamp_wire, modes: [open], raises: "
            "[{parts: [lamp], modes: [open], factor: 2}], source: estimate}\n"
        },
        "lamp -> lamp_wire -> lamp",
    ),
    case(
        "too_large",
        {
            CAUSES: f"@@{CAUSES}"
            + "".join(f"  nest_{i}: {NEST}, source: estimate}}\n" for i in range(13))
        },
        "expected at most 14",
    ),
]

ALL = [*SYNTAX, *SCHEMA, *NAMES, *WIRING, *ENTRIES, *SUMS]
