"""How far tests are expected to read as on a good machine, by hand on the lift."""

from __future__ import annotations

import numpy as np

from diagnose.belief.survey import reads_good
from tests.belief.lift import lift


def test_a_test_reads_good_as_far_as_what_is_believed_leaves_it_as_it_is() -> None:
    # 0.7 for nothing wrong, 0.3 for a blown fuse: then nothing moves, the pilot is dark and there
    # are no volts at the motor; the battery at rest, a ground and the key are what they were.
    kind = lift()
    sets, solved = kind.sets, kind.sets.now()
    fuse = kind.faults.index(("fuse", "open"))
    rows, weight = np.array([solved.row(()), solved.row((fuse,))]), np.array([0.7, 0.3])
    there = np.zeros((2, len(sets.priors.causes)))
    tests = kind.machine.tests
    found = dict(zip(tests, reads_good(sets, solved, rows, weight, there).tolist(), strict=True))
    for name in ("watch", "pilot", "motor_volts", "fuse_lamp", "listen"):
        slip = tests[name].slip_percent / 100.0  # which may write down what a good one shows
        np.testing.assert_allclose(found[name], 0.7 + 0.3 * slip, atol=1e-6, err_msg=name)
    for name in ("battery_rest", "key_ohms", "shake_ground"):
        np.testing.assert_allclose(found[name], 1.0, atol=1e-6, err_msg=name)
    # Whether a nest or damp is there, no fault decides; whether it charges, a part does.
    for name in ("look_nest", "look_damp", "ask_wet"):
        assert found[name] == 0.0
    assert found["ask_charging"] == 1.0
    charging = list(sets.priors.causes).index("not_charging")
    there[1, charging] = 0.5
    again = dict(zip(tests, reads_good(sets, solved, rows, weight, there).tolist(), strict=True))
    np.testing.assert_allclose(again["ask_charging"], 1.0 - 0.3 * 0.5)
    assert again == found | {"ask_charging": again["ask_charging"]}
