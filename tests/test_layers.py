"""Core is pure, adapters touch the world and do not know each other, app puts them together; no circle of files."""

import ast
from collections.abc import Iterator
from functools import cache

from tests.source_trees import PACKAGE, forget_trees, paths, trees  # noqa: F401 - a fixture of this file

# the order of the data: a package of core imports only what stands before it
ORDER = (
    "errors", "model", "registers", "balance", "pv", "energy", "forecast", "unusual", "savings", "drift", "sharing", "checks",
    "topics", "reports", "texts", "engine", "live",
)  # fmt: skip
ADAPTER_MAY_IMPORT = {  # beside core, runtime and texts
    "mqtt": set(),
    "sources": {"mqtt"},
    "store": set(),
    "line_database": {"store"},
    "publish": {"mqtt"},
    "notify": set(),
    "announce": set(),
    "documents": set(),
    "web": set(),
    "planfile": {"sources"},
    "archive": set(),
    "cluster": set(),
    "simulator": {"mqtt"},
    "runtime": set(),
    "texts": set(),
}
APP_MAY_IMPORT = {"operations": set(), "daemon": {"operations"}, "cli": {"operations", "daemon"}}
LATE = {  # what may be imported inside a function, and the large library that a start does without
    "cryptography": "where a telegram is encrypted, an extra",
    "dask": "settings of the engine, the same extra as distributed",
    "distributed": "the engine of a history with several workers, an extra",
    "iotcore": "the broker, in the child process only",
    "meterd.adapters.archive.known_hosts": "paramiko, an extra, where an archive is reached by SFTP",
    "meterd.adapters.announce.dns_sd": "zeroconf, where a plan announces",
    "meterd.adapters.line_database.client": "influxdb-client, where a plan names a database",
    "meterd.adapters.notify.channels": "smtplib, where a plan names a way or a message tries one",
    "meterd.adapters.sources.files": "pyarrow, where a plan reads files",
    "meterd.adapters.sources.http": "a protocol, where a plan or a question names it",
    "meterd.adapters.sources.modbus": "the same",
    "meterd.adapters.sources.mqtt": "paho-mqtt, where a plan reads a broker",
    "meterd.adapters.sources.mqtt_settings": "a protocol, where a plan names it",
    "meterd.adapters.sources.serial": "the same",
    "meterd.adapters.web.metrics": "prometheus-client, with the first question",
    "meterd.adapters.web.provider_login.provider": "authlib, an extra, with the first login by a provider",
    "meterd.adapters.web.server": "fastapi, where the page is served",
    "meterd.app.cli.fleet_page": "fastapi, where the fleet is a page",
    "meterd.app.operations.archive": "pyarrow",
    "meterd.app.operations.archive_check": "pyarrow",
    "meterd.app.operations.batch_import": "the ledger and the drift watch, where old readings go into a store",
    "meterd.app.operations.document_request": "reportlab, with the first document",
    "meterd.app.operations.documents": "reportlab, with the first document",
    "meterd.app.operations.export": "pyarrow",
    "meterd.app.operations.finding_orders": "numpy: what writes a store; a list of findings needs none of it",
    "meterd.app.operations.history": "pyarrow",
    "meterd.app.operations.job_by_hand": "pyarrow and reportlab: a list of jobs needs none of them",
    "meterd.app.operations.old_readings": "pandas, for files of other shapes",
    "meterd.app.operations.retention": "pyarrow",
    "pyarrow.compute": "where a file holds texts",
    "pymodbus": "where a plan reads Modbus",
    "reportlab": "widths of letters, where a cell may not fit",
    "rich": "tables in a terminal, none in a pipe",
}
CALLED_BY_OTHERS = {  # a library gives the arguments: by their names, or in an order of its own
    "view", "_order", "_login", "come_back", "redirect_request",
}  # fmt: skip
PURE_MAY_IMPORT = {
    "meterd", "numpy", "array", "bisect", "cmath", "collections", "contextlib", "dataclasses", "datetime",
    "decimal", "enum", "fractions", "functools", "hashlib", "heapq", "ipaddress", "itertools", "json", "math", "operator",
    "re", "statistics", "string", "types", "typing", "unicodedata", "weakref", "zlib", "zoneinfo",
}  # fmt: skip
NOT_PURE = {
    "open", "print", "input", "now", "utcnow", "today", "read_csv", "read_parquet", "to_sql", "to_csv", "load", "time_ns",
}  # fmt: skip


def _imports(tree: ast.Module, modules: set[str]) -> Iterator[str]:
    """Every imported module of ours and every other top-level name, wherever it is imported."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative imports hide where a name comes from"
            assert node.module is not None
            for alias in node.names:
                full = f"{node.module}.{alias.name}"
                yield full if full in modules else node.module


@cache
def _imports_of(name: str) -> frozenset[str]:
    return frozenset(_imports(trees()[name], set(paths())))


def _ours(name: str) -> Iterator[tuple[str, list[str]]]:
    """What a module imports of ours, as parts below `meterd`."""
    for other in sorted(_imports_of(name)):
        parts = other.split(".")
        if parts[0] == "meterd" and len(parts) > 1:
            yield other, parts[1:]


def _may(own: list[str], other: list[str]) -> bool:
    """Whether a module may import another one, both as parts below `meterd`."""
    floor, target = own[0], other[0]
    if target == "core" or len(other) == 1:
        return floor != "core" or len(other) == 1 or ORDER.index(other[1]) <= ORDER.index(own[1])
    if floor == "core":
        return False
    if floor == "adapters":
        known = {own[1], "runtime", "texts", *ADAPTER_MAY_IMPORT[own[1]]}
        return target == "adapters" and other[1] in known and (own[1] != "mqtt" or other[1] == "mqtt")
    if target == "adapters":
        return own[1] != "operations" or other[1] != "web"
    return other[1] == own[1] or other[1] in APP_MAY_IMPORT[own[1]]


def test_every_module_imports_only_what_its_floor_may() -> None:
    """Floors, the order of core's packages, what an adapter may know."""
    wrong = [
        f"{name} imports {other}"
        for name in paths()
        if name.count(".") > 1
        for other, parts in _ours(name)
        if not _may(name.split(".")[1:], parts)
    ]
    assert wrong == []


def test_core_touches_nothing() -> None:
    """No clock, file, socket, thread or log: neither imported nor called."""
    wrong = []
    for name, tree in trees().items():
        if not name.startswith("meterd.core"):
            continue
        wrong += [f"{name} imports {o}" for o in _imports_of(name) if o.partition(".")[0] not in PURE_MAY_IMPORT]
        for node in ast.walk(tree):
            if isinstance(node, ast.Call):
                called = node.func
                label = called.id if isinstance(called, ast.Name) else getattr(called, "attr", "")
                if label in NOT_PURE:
                    wrong.append(f"{name} line {node.lineno} calls {label}()")
    assert wrong == []


def test_mqtt_carries_bytes_and_knows_no_readings() -> None:
    """Of core it knows the errors."""
    wrong = [
        f"{name} imports {other}"
        for name in paths()
        if name.startswith("meterd.adapters.mqtt")
        for other, parts in _ours(name)
        if parts[0] == "core" and parts[1:2] != ["errors"]
    ]
    assert wrong == []


def test_no_circle_of_files() -> None:
    """Lazy imports are counted: taking away what imports nothing that is left leaves nothing."""
    left = {name: {other for other, _ in _ours(name)} & paths().keys() - {name} for name in paths()}
    while True:
        free = [name for name, others in left.items() if not others & left.keys()]
        if not free:
            break
        for name in free:
            del left[name]
    circle = {name: sorted(others & left.keys()) for name, others in left.items()}
    assert circle == {}


def _late_imports(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """Line and module of every import inside a function."""
    for function in ast.walk(tree):
        if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef):
            for node in ast.walk(function):
                if isinstance(node, ast.Import | ast.ImportFrom):
                    names = (
                        [alias.name for alias in node.names] if isinstance(node, ast.Import) else [node.module or ""]
                    )
                    yield from ((node.lineno, name) for name in names)


def test_imports_stand_at_the_top_unless_they_keep_a_large_library_out_of_the_start() -> None:
    """Whoever reads the head of a file knows what it needs; LATE says what may come later, and why."""
    late = [(name, line, other) for name, tree in trees().items() for line, other in _late_imports(tree)]
    allowed = {other: next((key for key in LATE if f"{other}.".startswith(f"{key}.")), None) for _, _, other in late}
    assert [f"{name} line {line} imports {other}" for name, line, other in late if allowed[other] is None] == []
    assert LATE.keys() - allowed.values() == set(), "nothing imports these late any more"


MOST_PLACES = 7  # arguments of a call by their place, beyond which nobody can read it
MOST_PARAMETERS = 5  # of a function that may be given by their place


def test_long_calls_name_their_arguments() -> None:
    """What follows the fifth parameter of a function has a name where it is called, and so has the rest of a long call."""
    wrong = []
    for name, tree in trees().items():
        for node in ast.walk(tree):
            listed = isinstance(node, ast.Call) and all(isinstance(arg, ast.Constant) for arg in node.args)
            if isinstance(node, ast.Call) and len(node.args) > MOST_PLACES and not listed:  # a list of words is read
                wrong.append(f"{name} line {node.lineno} gives {len(node.args)} arguments by their place")
            if isinstance(node, ast.FunctionDef) and node.name not in CALLED_BY_OTHERS:
                own = [arg for arg in node.args.posonlyargs + node.args.args if arg.arg not in ("self", "cls")]
                if len(own) > MOST_PARAMETERS:
                    wrong.append(f"{name} line {node.lineno} {node.name} takes {len(own)} parameters by their place")
    assert wrong == []


def test_no_private_name_crosses_a_file() -> None:
    """What begins with an underscore belongs to its file."""
    wrong = [
        f"{name} imports {alias.name}"
        for name, tree in trees().items()
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("meterd")
        for alias in node.names
        if alias.name.startswith("_") and not alias.name.startswith("__")
    ]
    assert wrong == []


OPENS_A_STORE = {"meterd.app.operations.what_if_store"}  # beside the package of the store


def test_others_know_a_store_by_what_is_read_and_written_of_it() -> None:
    """The class, its connection and its numbers of registers belong to its package; others take `ReadStore` or less."""
    inside, wrong = "meterd.adapters.store", []
    for name, tree in trees().items():
        if name.startswith(inside):
            continue
        for node in ast.walk(tree):
            if isinstance(node, ast.Name) and node.id == "SqliteStore" and name not in OPENS_A_STORE:
                wrong.append(f"{name} line {node.lineno} names the class")
            if isinstance(node, ast.Attribute) and node.attr in ("connection", "channel_number"):
                owner = node.value.attr if isinstance(node.value, ast.Attribute) else getattr(node.value, "id", "")
                if owner.strip("_") in ("store", "reader", "writer"):
                    wrong.append(f"{name} line {node.lineno} takes the {node.attr} of a store")
    assert wrong == []


WITHOUT_TEST_FILE = 7  # modules above 60 lines whose tests stand in a file of another name; this number may only fall


def test_modules_have_a_test_file_of_their_name() -> None:
    """Whoever changes a module finds its tests beside it."""
    tests = {path.relative_to(PACKAGE.parent / "tests") for path in (PACKAGE.parent / "tests").rglob("test_*.py")}
    lacking = [
        str(path.relative_to(PACKAGE))
        for path in paths().values()
        if path.name != "__init__.py"
        and len(path.read_text(encoding="utf-8").splitlines()) > 60
        and path.relative_to(PACKAGE).with_name(f"test_{path.name}") not in tests
    ]
    assert len(lacking) <= WITHOUT_TEST_FILE, f"one more than before is without: {lacking}"
