"""Answers as text for scripts (RFC 8259: JSON knows no number that is not finite)."""

import json
from math import inf, nan

from driveloss.say.json_form import to_json


def test_what_is_not_finite_is_null():
    said = {"a": nan, "many": iter([{"x": inf, "y": [1.0, -inf, (nan, "n")]}, {"x": 2.0}]), "z": {"deep": {"er": nan}}}
    told = json.loads(to_json(said), parse_constant=lambda word: 1 / 0)
    assert told == {
        "a": None,
        "many": [{"x": None, "y": [1.0, None, [None, "n"]]}, {"x": 2.0}],
        "z": {"deep": {"er": None}},
    }
