"""Every recipe shown in docs/recipe.md is a valid one, and every key is documented."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from sts.loaders import Recipe
from sts.settings import parse_toml

PAGE = (Path(__file__).resolve().parents[2] / "docs" / "recipe.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)


@pytest.mark.parametrize("example", EXAMPLES)
def test_example_is_a_recipe(example):
    assert parse_toml(Recipe, example, "recipe.md") != Recipe()


@pytest.mark.parametrize("key", sorted(Recipe.model_fields))
def test_key_is_documented(key):
    assert re.search(rf"`\[*{key}\]*`", PAGE)
