"""The settings that are changed while one looks: which of a plan's keys, and what of them is not the default."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel

from sts.plan import Plan
from sts.settings import PlanError


def with_settings(plan: Plan, settings: Mapping[str, Any]) -> Plan:
    """A plan with some keys changed, checked as a plan that is read.

    Parameters
    ----------
    plan : Plan
    settings : mapping
        Key with its section, such as ``"spectra.average"``, to value.

    Raises
    ------
    PlanError
        If there is no such key, or a value is not allowed for it.
    """
    known = dict(_keys(plan))
    data = plan.model_dump()
    for key, value in settings.items():
        if key not in known:
            near = ", ".join(k for k in known if k.split(".")[0] == key.split(".")[0]) or ", ".join(known)
            raise PlanError(f"no setting '{key}'; there are {near}.")
        *sections, name = key.split(".")
        part = data
        for section in sections:
            part = part[section]
        part[name] = value
    return Plan(**data)


def changed_settings(plan: Plan, rule: Plan) -> list[tuple[str, Any, Any]]:
    """The keys in which two plans differ, each with its value in the rule's and in the other.

    Parameters
    ----------
    plan, rule : Plan
    """
    now = dict(_keys(plan))
    return [(key, value, now[key]) for key, value in _keys(rule) if now[key] != value]


def _keys(section: BaseModel, above: str = "") -> list[tuple[str, Any]]:
    found: list[tuple[str, Any]] = []
    for name in type(section).model_fields:
        value = getattr(section, name)
        found += _keys(value, f"{above}{name}.") if isinstance(value, BaseModel) else [(above + name, value)]
    return found
