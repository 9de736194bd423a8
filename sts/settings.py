"""Settings in TOML files: strict models, read and written with every key described; a mistake names key, line and remedy."""

from __future__ import annotations

import difflib
import re
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, ConfigDict, ValidationError


class PlanError(ValueError):
    """A plan that cannot be used; the text names key, line and remedy.

    Examples
    --------
    >>> sts.read_plan("nothing.toml")
    Traceback (most recent call last):
        ...
    sts.settings.PlanError: nothing.toml: cannot be read (No such file or directory). Give the path of a TOML file.
    """


if TYPE_CHECKING:
    from pydantic._internal._model_construction import ModelMetaclass
else:
    ModelMetaclass = type(BaseModel)  # which has no public name


class _Worded(ModelMetaclass):
    """Models made in Python refuse what does not fit in the words of a file."""

    def __call__(cls: Any, /, *args: Any, **settings: Any) -> Any:
        if args:
            raise PlanError(f"{cls.__name__} takes its settings by name, such as {next(iter(cls.model_fields))}=...")
        try:
            return super().__call__(*args, **settings)
        except ValidationError as error:
            problems = [_explain(cls, "", cls.__name__, problem) for problem in error.errors()]
        raise PlanError("\n".join(problems))


class Section(BaseModel, metaclass=_Worded):
    """Base of every part of the plan: strict types, unknown keys refused, frozen."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)

    def __repr__(self) -> str:
        """Only what differs from the defaults: it can be written again as it stands."""
        return f"{type(self).__name__}({', '.join(f'{name}={value!r}' for name, value in _changed(self).items())})"

    __str__ = __repr__


def _changed(section: BaseModel) -> dict[str, Any]:
    """What differs from the defaults; of sections within, as a dictionary."""
    found: dict[str, Any] = {}
    for name, info in type(section).model_fields.items():
        value = getattr(section, name)
        if isinstance(value, BaseModel):
            if inner := _changed(value):
                found[name] = inner
        elif info.is_required() or value != info.get_default(call_default_factory=True):
            found[name] = value
    return found


def parse_toml(model: type[Section], text: str, name: str) -> Any:
    """Validate TOML text against a model.

    Parameters
    ----------
    model : type
        Of the settings.
    text, name : str
        The text, and the name of its file for the message.

    Raises
    ------
    PlanError
        With one line for each mistake: file, line, key, what came, what is allowed.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise PlanError(f"{name}: not valid TOML: {error}.") from error
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise PlanError("\n".join(_explain(model, text, name, problem) for problem in error.errors())) from error


def read_toml(model: type[Section], path: str | Path, what: str) -> Any:
    """Read a TOML file into a model.

    Parameters
    ----------
    model : type
        Of the settings.
    path : path
    what : str
        What it is, for the message.

    Raises
    ------
    PlanError
        If it cannot be read or is no UTF-8 text, and as `parse_toml`.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise PlanError(f"{path}: cannot be read ({error.strerror}). Give the path of a TOML file.") from error
    except UnicodeDecodeError as error:
        raise PlanError(f"{path}: is not UTF-8 text. Save the {what} as UTF-8.") from error
    return parse_toml(model, text, path.name)


def _explain(model: type[Section], text: str, name: str, problem: Any) -> str:
    path = [part for part in problem["loc"] if isinstance(part, str)]
    line = _line_of(text, path)
    where = f"{name}, line {line}" if line else name
    key = ".".join(str(part) for part in problem["loc"])
    if problem["type"] == "extra_forbidden":
        allowed = _keys_at(model, path[:-1])
        near = difflib.get_close_matches(path[-1], allowed, n=2)
        hint = f"; perhaps {' or '.join(near)} is meant" if near else ""
        return f"{where}: unknown key '{key}'{hint}. Known here: {', '.join(allowed)}."
    return f"{where}: {key} is {problem['input']!r}: {_wanted(problem)}."


_WANTED = {  # kind of mistake: what is wanted instead; braces are filled from the limits of the key
    "float_type": "it must be a number", "int_type": "it must be a whole number", "int_from_float": "it must be a whole number",
    "bool_type": "it must be true or false", "string_type": "it must be text", "list_type": "it must be a list",
    "tuple_type": "it must be a list", "dict_type": "it must be a table of keys", "model_type": "it must be a table of keys",
    "greater_than": "it must be greater than {gt:g}", "greater_than_equal": "it must be {ge:g} or more",
    "less_than": "it must be less than {lt:g}", "less_than_equal": "it must be {le:g} or less",
    "finite_number": "it must be a finite number", "string_too_short": "it must not be empty",
    "string_pattern_mismatch": "it holds letters that are not allowed here", "missing": "it must be given",
}  # fmt: skip


def _wanted(problem: Any) -> str:
    """What is wanted instead of a value that was refused."""
    kind, limits = problem["type"], problem.get("ctx", {})
    if kind == "literal_error":
        said, choices = str(problem["input"]), re.findall(r"'([^']*)'", str(limits["expected"]))
        near = difflib.get_close_matches(said, choices, n=1)
        return f"it must be one of {', '.join(choices)}{f'; perhaps {near[0]} is meant' if near else ''}"
    if kind in _WANTED:
        return _WANTED[kind].format(**limits)
    text = str(problem["msg"])  # of our own checks
    return f"{text[:1].lower()}{text[1:]}"


def _keys_at(model: type[BaseModel], path: list[str]) -> list[str]:
    for part in path:
        annotation = model.model_fields[part].annotation if part in model.model_fields else None
        if not (isinstance(annotation, type) and issubclass(annotation, BaseModel)):
            return []
        model = annotation
    return sorted(model.model_fields)


def _line_of(text: str, path: list[str]) -> int | None:
    """The line on which the key at `path` is set (tables and dotted keys, as plans are written)."""
    table: list[str] = []
    for number, raw in enumerate(text.splitlines(), 1):
        line = raw.split("#", 1)[0].strip()
        if line.startswith("["):
            table = [part.strip().strip("\"'") for part in line.strip("[] ").split(".")]
            if table == path:
                return number
        elif "=" in line:
            key = [part.strip().strip("\"'") for part in line.split("=", 1)[0].split(".")]
            if table + key == path:
                return number
    return None


def write_toml(section: Section) -> str:
    """The TOML text of a plan, every key with its description as a comment.

    Parameters
    ----------
    section : Plan or a section of it

    Examples
    --------
    >>> sts.write_toml(sts.Plan().compare).splitlines()[0].partition("  #")[0]
    'confidence = 0.95'
    """
    lines: list[str] = []
    _write(section, [], lines)
    return "\n".join(lines).lstrip("\n") + "\n"


def _write(section: BaseModel, path: list[str], lines: list[str]) -> None:
    nested: list[tuple[str, BaseModel]] = []
    if path:
        lines += ["", f"[{'.'.join(path)}]  # {(type(section).__doc__ or '').strip().splitlines()[0]}"]
    for name, info in type(section).model_fields.items():
        value = getattr(section, name)
        if isinstance(value, BaseModel):
            nested.append((name, value))
        elif value is not None:
            lines.append(f"{name} = {toml_value(value)}" + (f"  # {info.description}" if info.description else ""))
        else:
            lines.append(f"# {name} is not set" + (f": {info.description}" if info.description else ""))
    for name, value in nested:
        _write(value, [*path, name], lines)


def toml_value(value: Any) -> str:
    """A value as TOML text.

    Parameters
    ----------
    value : str, bool, number, list or dict
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{"".join(map(_toml_character, value))}"'
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(toml_value(v) for v in value) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{toml_value(k)} = {toml_value(v)}" for k, v in value.items()) + " }"
    return repr(value)


def _toml_character(c: str) -> str:
    if c in '\\"':
        return f"\\{c}"
    if c.isprintable():
        return c
    code = ord(c) if not 0xD800 <= ord(c) <= 0xDFFF else 0xFFFD  # half a character, which TOML cannot hold
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"
