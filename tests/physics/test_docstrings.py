"""Every public physics function documents its units, cites its source and works an example."""

import importlib
import inspect
import pkgutil
import re

import pytest

import driveloss.physics


def public_functions():
    """Each (module.name, function) that a module of the package defines for others."""
    for info in pkgutil.iter_modules(driveloss.physics.__path__):
        module = importlib.import_module(f"driveloss.physics.{info.name}")
        for name, function in inspect.getmembers(module, inspect.isfunction):
            if function.__module__ == module.__name__ and not name.startswith("_"):
                yield f"{info.name}.{name}", function


FUNCTIONS = dict(public_functions())
each_function = pytest.mark.parametrize("name", FUNCTIONS)


def test_the_package_is_found():
    assert {"crank.piston_speed", "motor.motor_current", "seal.stribeck_power"} <= FUNCTIONS.keys()


@each_function
def test_every_argument_states_its_unit(name):
    function = FUNCTIONS[name]
    for argument in inspect.signature(function).parameters:
        stated = re.search(rf"\b{argument}: [^:]*?\[[^\]]+\]\.", function.__doc__)
        assert stated, f"{name}({argument}): in which unit?"


@each_function
def test_the_first_sentence_states_the_unit_of_the_result(name):
    assert re.search(r"\[.+\]", FUNCTIONS[name].__doc__.splitlines()[0]), f"{name} returns which unit?"


@pytest.mark.parametrize("name", [name for name in FUNCTIONS if not name.startswith("arrays.")])
def test_every_formula_cites_its_source(name):
    source = re.search(r"^Sources?: (.+?)\n\n", inspect.getdoc(FUNCTIONS[name]), re.MULTILINE | re.DOTALL)
    assert source, f"{name}: from which book?"
    assert re.search("seen|from memory", source[1]), f"{name}: was it seen there, or recalled?"


@each_function
def test_every_function_works_an_example(name):
    short_name = name.split(".")[1]
    assert re.search(rf">>> .*{short_name}\(", FUNCTIONS[name].__doc__), f"{name} has no doctest"
