"""The examples in the docstrings run and give what they say."""

import doctest
import importlib

import pytest
from support.modules import module_names

NAMES = ["stiffen", *module_names()]
EXAMPLES = [
    example
    for name in NAMES
    for example in doctest.DocTestFinder(exclude_empty=True).find(importlib.import_module(name))
    if example.examples
]


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda example: example.name)
def test_example(example):
    runner = doctest.DocTestRunner()
    told = []
    runner.run(example, out=told.append)
    assert runner.failures == 0, "".join(told)


def test_the_ways_into_the_package_have_examples():
    assert {"stiffen", "stiffen.io.panel_file.read_panel", "stiffen.model.layout.Layout"} <= {
        example.name for example in EXAMPLES
    }
