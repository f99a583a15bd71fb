"""Why a line is no TOML, in words for whoever wrote it: judged by the line, since a parser says only where it stumbled."""

import re

GENERAL = "write key = value, texts in double quotes, decimals with a point"
_LINE = re.compile(r"^\s*([\w.-]+)\s*(=?)\s*(.*?)\s*$")
_QUOTES = "\u201e\u201c\u201d\u2018\u2019\u201a\u00ab\u00bb`\u00b4"
_TRUE = {
    "true": "true",
    "yes": "true",
    "ja": "true",
    "on": "true",
    "false": "false",
    "no": "false",
    "nein": "false",
    "off": "false",
}
_COMMA = re.compile(r"^[+-]?[0-9]+,[0-9]+$")
_UNIT = re.compile(r"^([+-]?[0-9][0-9_.]*)\s*([A-Za-z%µ]+)$")


def toml_cause(line: str, error: str) -> tuple[str, str]:
    """What is wrong with a line and what would be right. `error` is what the parser says of it.

    >>> toml_cause("zone = Europe/Vienna", "Invalid value")
    ('the text behind zone is not in quotes', 'write zone = "Europe/Vienna"')
    """
    if error.startswith("Cannot declare"):
        table = line.strip().strip("[]").strip()
        return f"the table [{table}] is written twice", "write the keys of both below the first one"
    match = _LINE.match(line)
    if line.lstrip().startswith("[") or match is None:
        return "this line is no table and no key", "write [table] or [[table]], or key = value"
    key, sign, value = match.groups()
    value = re.sub(r"\s+#.*$", "", value)
    if error.startswith(("Cannot overwrite", "Cannot mutate", "Cannot redefine")):
        return f"{key} is written twice", "keep one of the two lines"
    if not sign:
        return f"the sign = is missing behind {key}", f"write {key} = {_quoted(value)}" if value else GENERAL
    return _of_value(key, value)


def is_open(line: str) -> bool:
    """Whether a list or table that begins behind a key of this line does not end in it.

    >>> is_open("a = [1, 2"), is_open("a = [1, 2]"), is_open("[site]")
    (True, False, False)
    """
    value = line.partition("=")[2]
    return value.count("[") > value.count("]") or value.count("{") > value.count("}")


def _of_value(key: str, value: str) -> tuple[str, str]:
    plain = value.strip(_QUOTES + "\"'")
    if not value:
        return f"there is no value behind {key} =", "write one, or remove the line"
    if any(sign in value for sign in _QUOTES):
        return f"the quotes around the text behind {key} are not straight ones", f'write {key} = "{plain}"'
    if value.lower() in _TRUE:
        return f"{value} is neither true nor false", f"write {key} = {_TRUE[value.lower()]}"
    if _COMMA.match(value):
        return "a decimal comma", f"write {key} = {value.replace(',', '.')}"
    if unit := _UNIT.match(value):
        return f"a unit behind the number of {key}", f"write {key} = {unit[1]}; the unit is that of the key"
    if value.count('"') == 1:
        return f"a quotation mark of the text behind {key} is missing", f'write {key} = "{plain}"'
    if value[0].isalpha():
        return f"the text behind {key} is not in quotes", f'write {key} = "{plain}"'
    if value[0] in "[{" or value[-1] in "]}":
        return (
            f"the list or table behind {key} cannot be read",
            f'write {key} = ["a", "b"] or {key} = {{ a = 1, b = 2 }}',
        )
    return f"the value behind {key} cannot be read", GENERAL


def _quoted(value: str) -> str:
    return value if value[0] in "\"'[{" or value[0].isdigit() or value in ("true", "false") else f'"{value}"'
