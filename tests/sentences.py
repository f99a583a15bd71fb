"""What the program can say, read off its source: every sentence with a gap wherever a value is filled in.

A few lines of abstract interpretation: text, f-strings, `or`, conditional expressions, tables of sentences, local names. Where
a value comes from elsewhere there is a gap, and what may stand in it is guessed from how it is written.
"""

import ast
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from itertools import product
from pathlib import Path
from string import Formatter

PACKAGE = Path(__file__).parents[1] / "meterd"
NAME, NAMES, NUMBER, TIME, DAY = "q01", "q01, q02", "7.5", "2026-05-04T10:15:00Z", "2026-05-04"
ANYTHING = (NAME, "7", TIME, DAY, "board north")  # tried in a gap that does not show what stands in it


@dataclass(frozen=True)
class Picks:
    """Picks expressions out of the nodes of a function; files without the word are not even parsed."""

    word: str
    of: Callable[[ast.AST], Iterator[ast.expr]]


@dataclass(frozen=True)
class Gap:
    """Where a value is filled in, and what it might be."""

    samples: tuple[str, ...] = ANYTHING


Piece = str | Gap
Sentence = tuple[Piece, ...]
Value = Sentence | list["Value"] | dict[str, "Value"]  # a sentence, a tuple of values, the values of a table


@dataclass(frozen=True)
class SourceSentence:
    """A sentence of the source: where it stands, and in which function."""

    file: str
    line: int
    function: str
    sentence: Sentence

    @property
    def place(self) -> str:
        """For whoever has to mend it."""
        text = "".join(piece if isinstance(piece, str) else "…" for piece in self.sentence)
        return f"meterd/{self.file}:{self.line} ({self.function}) says “{text}”"

    @property
    def seen(self) -> bool:
        """Whether any word of it stands in the source."""
        return any(isinstance(piece, str) and piece.strip(" ;:,") for piece in self.sentence)

    def examples(self, more: tuple[str, ...] = ()) -> Iterator[tuple[str, tuple[str, ...]]]:
        """The sentence with every choice of values in its gaps, and the values; `more` are tried where anything may stand."""
        known = [piece.samples for piece in self.sentence if isinstance(piece, Gap)]
        gaps = [(*samples, *more) if samples is ANYTHING else samples for samples in known]
        for chosen in product(*gaps):
            values = iter(chosen)
            yield "".join(piece if isinstance(piece, str) else next(values) for piece in self.sentence), chosen


class Source:
    """One file of the package: its functions, and what its names stand for at the top."""

    def __init__(self, path: Path) -> None:
        self.file = str(path.relative_to(PACKAGE))
        tree = ast.parse(path.read_text(encoding="utf-8"))
        self.nodes = {f: list(ast.walk(f)) for f in ast.walk(tree) if isinstance(f, ast.FunctionDef)}
        self.constants: dict[str, ast.expr] = {}
        self.imported: dict[str, tuple[str, str]] = {}
        for node in tree.body:
            if isinstance(node, ast.Assign):
                for target in node.targets:
                    _pairs(target, node.value, lambda name, value, _: self.constants.__setitem__(name, value))
            elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name) and node.value is not None:
                self.constants[node.target.id] = node.value
            elif isinstance(node, ast.ImportFrom) and (node.module or "").startswith("meterd."):
                self.imported |= {item.asname or item.name: (str(node.module), item.name) for item in node.names}

    def said(self, picks: Picks) -> Iterator[SourceSentence]:
        """The sentences of the expressions that are picked."""
        for function, nodes in self.nodes.items():
            picked = [expression for node in nodes for expression in picks.of(node)]
            reader = _Reader(function, self) if picked else None
            for expression in picked:
                assert reader is not None, "something was picked"
                for value in reader.value(expression):
                    if isinstance(value, tuple):
                        yield SourceSentence(self.file, expression.lineno, function.name, value)

    def constant(self, name: str) -> list[Value]:
        """What a name at the top of the file stands for; a gap where that is no text and no table of it."""
        if name in self.constants:
            return _Reader(None, self).value(self.constants[name])
        if name in self.imported:
            module, there = self.imported[name]
            path = PACKAGE.parent / Path(*module.split("."))
            file = path.with_suffix(".py") if not path.is_dir() else path / "__init__.py"
            return _source(file).constant(there)
        return [(Gap(),)]


@cache
def _source(path: Path) -> Source:
    return Source(path)


def said(picks: Picks, *files: str) -> Iterator[SourceSentence]:
    """The sentences that are picked from files of the package (names below it, `*` for any; without names from all)."""
    for pattern in files or ("**/*.py",):
        for path in sorted(PACKAGE.glob(pattern)):
            if picks.word in path.read_text(encoding="utf-8"):
                yield from _source(path).said(picks)


def _pairs(target: ast.expr, value: ast.expr, take: Callable[[str, ast.expr, int | None], None]) -> None:
    """Each name that is assigned to, with its expression, or with the one it is an element of."""
    if isinstance(target, ast.Name):
        take(target.id, value, None)
    elif isinstance(target, ast.Tuple):
        for i, item in enumerate(target.elts):
            if isinstance(item, ast.Name):
                if isinstance(value, ast.Tuple):
                    take(item.id, value.elts[i], None)
                elif isinstance(value, ast.GeneratorExp):
                    take(item.id, value.elt, None)
                else:
                    take(item.id, value, i)


def called(name: str, *places: int | str) -> Picks:
    """Arguments of calls of `name`, by position or keyword; of a tuple each of its members."""

    def find(node: ast.AST) -> Iterator[ast.expr]:
        if not isinstance(node, ast.Call) or _called(node) != name:
            return
        for place in places:
            results: list[ast.expr] = [key.value for key in node.keywords if key.arg == place]
            if isinstance(place, int):
                results = node.args[place : place + 1]
            for item in results:
                several = item.elts if isinstance(item, ast.Tuple) else [item]
                yield from (each for each in several if not isinstance(each, ast.Starred))

    word = next((f"{place}=" for place in places if isinstance(place, str)), f"{name}(")
    return Picks(word, find)


def raised(name: str) -> Picks:
    """The words of an exception that is raised."""

    def find(node: ast.AST) -> Iterator[ast.expr]:
        if isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call) and _called(node.exc) == name:
            yield from node.exc.args[:1]

    return Picks(f"raise {name}(", find)


def kept_as(attribute: str) -> Picks:
    """What is assigned to an attribute."""

    def find(node: ast.AST) -> Iterator[ast.expr]:
        targets = node.targets if isinstance(node, ast.Assign) else []
        if isinstance(node, ast.Assign) and attribute in {
            item.attr for item in targets if isinstance(item, ast.Attribute)
        }:
            yield node.value

    return Picks(f".{attribute} = ", find)


def returned(function: str) -> Picks:
    """What a function returns; of a tuple each of its members."""

    def find(node: ast.AST) -> Iterator[ast.expr]:
        if isinstance(node, ast.FunctionDef) and node.name == function:
            for inner in ast.walk(node):
                if isinstance(inner, ast.Return) and inner.value is not None:
                    yield from inner.value.elts if isinstance(inner.value, ast.Tuple) else [inner.value]

    return Picks(f"def {function}(", find)


def _called(node: ast.Call) -> str:
    of = node.func
    return of.id if isinstance(of, ast.Name) else of.attr if isinstance(of, ast.Attribute) else ""


class _Reader:
    """Reads expressions of one function."""

    def __init__(self, function: ast.FunctionDef | None, source: Source) -> None:
        self._source = source
        self._local: dict[str, list[tuple[ast.expr, int | None]]] = {}
        self._added: dict[str, list[ast.expr]] = {}
        self._given: set[str] = set()
        self._open: set[str] = set()  # names being read: a name that is made of itself is a gap
        if function is None:
            return
        self._given = {
            item.arg for item in (*function.args.posonlyargs, *function.args.args, *function.args.kwonlyargs)
        }
        for node in source.nodes[function]:
            if isinstance(node, ast.Assign):
                for target in node.targets:
                    _pairs(target, node.value, self._note)
            elif isinstance(node, ast.AnnAssign | ast.NamedExpr) and node.value is not None:
                _pairs(node.target, node.value, self._note)
            elif isinstance(node, ast.Call):
                match node.func:
                    case ast.Attribute(attr="append", value=ast.Name(id=name)):
                        self._added.setdefault(name, []).append(node.args[0])

    def _note(self, name: str, value: ast.expr, i: int | None) -> None:
        self._local.setdefault(name, []).append((value, i))

    def value(self, node: ast.expr) -> list[Value]:
        """Everything an expression may be."""
        match node:
            case ast.Constant(value=str(words)):
                return [(words,) if words else ()]
            case ast.JoinedStr():
                return _joined([self._filled(part) for part in node.values])
            case ast.BinOp(op=ast.Add()):
                return _joined([self.value(node.left), self.value(node.right)])
            case ast.IfExp():
                return [*self.value(node.body), *self.value(node.orelse)]
            case ast.BoolOp(op=ast.Or()):
                return [item for part in node.values for item in self.value(part) if item != ()]
            case ast.Tuple():
                return [[part for element in node.elts for part in [self._either(element)]]]
            case ast.Dict():
                return [{str(i): self._either(item) for i, item in enumerate(node.values)}]
            case ast.Subscript():
                return self._member(node)
            case ast.Call():
                return self._call(node)
            case ast.Name():
                return self._name(node.id)
        return [(Gap(_guess(node)),)]

    def _either(self, node: ast.expr) -> Value:
        """An element of a table; only one that is the same whatever happens is followed."""
        results = self.value(node)
        return results[0] if len(results) == 1 else (Gap(),)

    def _filled(self, part: ast.expr) -> list[Value]:
        if not isinstance(part, ast.FormattedValue):
            return self.value(part)
        if part.format_spec is not None or part.conversion != -1:
            return [(Gap((NUMBER,) if part.format_spec is not None else (NAME,)),)]
        return self.value(part.value)

    def _name(self, name: str) -> list[Value]:
        if name in self._open:
            return [(Gap(),)]
        self._open.add(name)
        try:
            if name in self._local:
                return [item for value, i in self._local[name] for item in _element(self.value(value), i)]
        finally:
            self._open.discard(name)
        return [(Gap(),)] if name in self._given else self._source.constant(name)

    def _member(self, node: ast.Subscript) -> list[Value]:
        results: list[Value] = []
        for item in self.value(node.value):
            if isinstance(item, dict):
                results += item.values()
            elif isinstance(item, list) and isinstance(node.slice, ast.Constant) and isinstance(node.slice.value, int):
                results.append(item[node.slice.value])
            else:
                results.append((Gap((DAY,) if isinstance(node.slice, ast.Slice) else ANYTHING),))
        return results

    def _call(self, node: ast.Call) -> list[Value]:
        of = node.func
        if isinstance(of, ast.Attribute) and of.attr == "format":
            given = {key.arg: self.value(key.value) for key in node.keywords if key.arg}
            return [item for text in self.value(of.value) for item in _formatted(text, given)]
        if isinstance(of, ast.Attribute) and of.attr == "get" and len(node.args) == 2:
            tables = [item for item in self.value(of.value) if isinstance(item, dict)]
            return [*(item for table in tables for item in table.values()), *self.value(node.args[1])]
        if isinstance(of, ast.Attribute) and of.attr == "join":
            return self._several(node.args[0])
        if isinstance(of, ast.Name) and of.id == "tuple" and isinstance(node.args[0], ast.GeneratorExp):
            return self.value(node.args[0].elt)
        return [(Gap(_guess(node)),)]

    def _several(self, node: ast.expr) -> list[Value]:
        """Joined sentences: one of them stands for all."""
        if isinstance(node, ast.GeneratorExp | ast.ListComp) and isinstance(node.elt, ast.JoinedStr):
            return self.value(node.elt)
        if isinstance(node, ast.Name) and node.id in self._added:
            return [item for added in self._added[node.id] for item in self.value(added)]
        return [(Gap((NAMES,)),)]


def _joined(parts: list[list[Value]]) -> list[Value]:
    """All ways to put alternatives together."""
    texts = [[item if isinstance(item, tuple) else (Gap(),) for item in part] for part in parts]
    return [tuple(piece for text in chosen for piece in text) for chosen in product(*texts)]


def _element(values: list[Value], i: int | None) -> list[Value]:
    if i is None:
        return values
    return [item[i] if isinstance(item, list) and i < len(item) else (Gap(),) for item in values]


def _formatted(text: Value, given: dict[str, list[Value]]) -> list[Value]:
    """Text that is formatted with named values."""
    if not isinstance(text, tuple):
        return [text]
    parts: list[list[Value]] = []
    for piece in text:
        if isinstance(piece, Gap):
            parts.append([(piece,)])
            continue
        for message, name, spec, _ in Formatter().parse(piece):
            parts.append([(message,) if message else ()])
            if name is not None:
                parts.append([(Gap((NUMBER,)),)] if spec else given.get(name, [(Gap(),)]))
    return _joined(parts)


def _guess(node: ast.expr) -> tuple[str, ...]:
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
        known = {"text": (TIME,), "moment": (TIME,), "stamp_text": (TIME,), "len": ("7", "1")}
        return known.get(node.func.id, ANYTHING)
    if isinstance(node, ast.Attribute) and node.attr == "name" and "REGISTERS" in ast.dump(node.value):
        return ("import", "power")
    return ANYTHING
