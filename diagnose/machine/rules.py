"""What a machine file must obey: rule id -> one sentence that explains it."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

RULES: Mapping[str, str] = MappingProxyType(
    {
        "file_unreadable": "The file must exist, be UTF-8 text and not be absurdly long.",
        "yaml_syntax": "The file must be one YAML 1.2 document: a mapping of sections.",
        "yaml_alias": "Anchors and aliases (&name, *name) are not used; write values out.",
        "yaml_tag": "Tags (!name) are not used; write plain values.",
        "duplicate_key": "A key may stand only once in a mapping; the second would hide the first.",
        "key_not_text": "Keys are text; a number, `true` or `null` as a key needs quotes.",
        "missing_key": "A key that the entry cannot do without is not there.",
        "unknown_key": "The entry has a key that nothing reads; most often a misspelling.",
        "unit_missing": "A number's key names its unit: `minutes`, `at_least_volts`, `metres`.",
        "number_as_text": "A number is written without quotes and without its unit.",
        "wrong_type": "The value is of another type than its key asks for.",
        "wrong_choice": "The value must be one of a short list, such as the kinds of part.",
        "empty": "A list of levels, modes or raises that is there has at least one entry.",
        "out_of_range": "The number lies outside what its key allows.",
        "negative_minutes": "Minutes cannot be negative.",
        "id_pattern": "Names begin with a small letter, then small letters, digits or `_`.",
        "reserved_id": "`ok`, `unsteady`, `not_possible`, `runs`, `other` are the program's own.",
        "source_missing": "Every number has a `source:` in its own entry or an enclosing one.",
        "prior_too_high": "A prior is per 1 000 jobs, so it cannot be above 1 000.",
        "prior_sum": "The modes of one part exclude each other: their priors sum to at most 1 000.",
        "part_without_mode": "A part that cannot fail tells nothing: give it at least one mode.",
        "part_without_net": "Every terminal of a part is joined to a net.",
        "unit_of_one": "A unit is several parts in one piece: at least two name it.",
        "unit_name": "A unit named like a part is the unit of that part.",
        "unit_not_replaced": "A repair `replace` of one of its parts fits the unit new.",
        "unknown_net": "A net that is used must be described under `nets`.",
        "unused_net": "A net under `nets` that no part touches is a leftover or a misspelling.",
        "dead_end_net": "A net that only one terminal touches carries no current.",
        "same_net": "A part whose two ends are the same net does nothing.",
        "unknown_part": "A part that is named must be described under `parts`.",
        "unknown_switch": "`closes` names parts of kind switch.",
        "unknown_generator": "`running` names parts of kind generator.",
        "unknown_mode": "A mode must be one of its kind of part, or one that the part has.",
        "mode_without_effect": "A mechanical mode says what it does: `at_most` or `acts_as`.",
        "acts_as_itself": "`acts_as` names another part.",
        "unknown_area": "An area that is named must be described under `areas`.",
        "unknown_tool": "A tool that is named, or is usual for the test, stands under `tools`.",
        "unknown_caution": "A caution that is named must be described under `cautions`.",
        "unknown_condition": "A condition that is named must be described under `conditions`.",
        "unknown_function": "A function that is named must be described under `functions`.",
        "unknown_level": "A level that is named must be one of its function's levels.",
        "unknown_cause": "A cause that is named must be described under `shared_causes`.",
        "unknown_test": "A test that is named must be described under `tests`.",
        "unknown_kind": "A kind that is named must be a kind of part.",
        "battery_count": "A machine has exactly one part of kind battery.",
        "charge_place": "A state of charge lies between the battery and one of its posts.",
        "wiring_loop": "Wiring is radial: wires, joints, fuses and contacts form no loop.",
        "plus_minus_joined": "Without loads between them the battery's posts must not be joined.",
        "load_not_between": "A load takes current from the plus tree and returns it to the minus.",
        "floating_part": "A wire, joint, fuse or contact must hang on one of the battery's posts.",
        "fuse_too_small": "A fuse carries the loads behind it in every condition.",
        "wire_size": "A wire has either `awg` or `mm2`.",
        "load_size": "A load has one of `ohms`, `amps`, `watts`; a motor one of `ohms`, `amps`.",
        "relay_drop_out": "A relay lets go below the volts at which it pulls in.",
        "input_bounds": "A controller's input has either `at_least_volts` or `below_volts`.",
        "area_cycle": "An area cannot lie inside itself, however many steps away.",
        "needs_cycle": "Tests, and functions, cannot need each other in a circle.",
        "thresholds_order": "Bounds fall strictly from the first outcome or level to the last.",
        "last_has_bound": "The last outcome or level takes all that is left: no bound.",
        "too_few_outcomes": "One outcome or level alone tells nothing: give at least two.",
        "function_part": "A function goes by a part of a kind that fits it.",
        "probes_same": "Both probes on one net read nothing.",
        "probes_unconnected": "Between nets that no chain of parts joins there is nothing to read.",
        "not_in_series": "Ohms are measured across parts that follow one another in one line.",
        "part_count": "Some tests take exactly one part; the others at least one.",
        "part_kind": "The test cannot be done on this kind of part.",
        "look_subject": "A look has exactly one of `function`, `parts`, `cause`.",
        "condition_differs": "A test that watches a function is done in that function's condition.",
        "cause_prior": "A shared cause has either `per_1000_jobs`, or `part` with `modes`.",
        "cause_raises": "A raise names either `parts` or a `kind`, and raises at least one mode.",
        "caution_missing": (
            "A caution stands with every test or repair that opens an area or handles a battery, "
            "relay or motor, and with every test while the engine may crank."
        ),
    }
)
