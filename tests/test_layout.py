"""The house rules that a tool can check: direction of imports, size of modules, public names."""

from __future__ import annotations

import ast
import importlib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
# From left to right: a package may import itself and what stands left of it.
ORDER = ("shared", "voice", "matcher")
MAX_LINES = 600

# Inside matcher: the prefixes on the left import none of those on the right.
_TELLING = ("matcher.texts", "matcher.plots", "matcher.report", "matcher.page")
_LEADING = (
    "matcher.search",
    "matcher.partial_fit",
    "matcher.matching",
    "matcher.refining",
    "matcher.saving",
    "matcher.runs",
    "matcher.explaining",
    "matcher.comparing",
    "matcher.calibrating",
)
FORBIDDEN_INSIDE = (
    (("matcher.target", "matcher.losses"), ("matcher.optimise", *_LEADING, *_TELLING)),
    (
        ("matcher.optimise",),
        ("voice", "matcher.target", "matcher.losses", *_LEADING, *_TELLING),
    ),
    (("matcher.search", "matcher.partial_fit"), ("matcher.matching", "matcher.refining")),
    (("matcher.partial_fit",), ("matcher.search",)),
    # What keeps doesn't search; `matcher.saving` leads both.
    (
        ("matcher.runs",),
        (
            "matcher.matching",
            "matcher.refining",
            "matcher.saving",
            "matcher.leave_out",
            "matcher.search.run",
        ),
    ),
    (("matcher.search", "matcher.partial_fit", "matcher.runs"), _TELLING),
    (("matcher.explaining", "matcher.comparing", "matcher.calibrating"), _TELLING),
    # Pictures are drawn of sounds and figures; what a page makes of them is its own business.
    (("matcher.plots",), ("matcher.report", "matcher.page")),
    (("matcher.report",), ("matcher.page",)),
    (("matcher",), ("matcher.cli",)),
)


def _module_name(path: Path) -> str:
    """Return the dotted name of a module file."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {
    _module_name(path): path
    for package in ORDER
    for path in sorted((ROOT / package).rglob("*.py"))
}
PUBLIC_MODULES = [name for name in MODULES if "._" not in name]
PACKAGES = [name for name in ORDER if name in MODULES]


def _belongs(name: str, prefixes: tuple[str, ...]) -> bool:
    """Say whether a dotted name is one of the prefixes or lies below one."""
    return any(name == prefix or name.startswith(f"{prefix}.") for prefix in prefixes)


def _imports(module: str, source: str, *, is_package: bool = False) -> set[str]:
    """Collect the dotted names that a module imports anywhere, also inside functions."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                depth = node.level - 1 if is_package else node.level
                parents = module.split(".")
                above = parents[: len(parents) - depth]
                base = ".".join([*above, base] if base else above)
            # `from matcher import cli` imports a module just as `import matcher.cli` does.
            found.add(base)
            found.update(f"{base}.{alias.name}" for alias in node.names)
    return found


def _arrows_back(module: str, imports: set[str]) -> list[str]:
    """List the imports of a module that its place in the house doesn't allow."""
    package = module.split(".", maxsplit=1)[0]
    forbidden = list(ORDER[ORDER.index(package) + 1 :])
    for sources, targets in FORBIDDEN_INSIDE:
        # The command line may of course import its own parts.
        if _belongs(module, sources) and not _belongs(module, targets):
            forbidden += targets
    return sorted(name for name in imports if _belongs(name, tuple(forbidden)))


def _imports_of(module: str) -> set[str]:
    """Collect the imports of a module of the project."""
    path = MODULES[module]
    return _imports(
        module, path.read_text(encoding="utf-8"), is_package=path.name == "__init__.py"
    )


def _modules_behind(module: str) -> set[str]:
    """Collect the modules that a module's imports end in, past the faces of packages."""
    if MODULES[module].name == "__init__.py":
        return set()
    found: set[str] = set()
    for name in _imports_of(module):
        home, _, last = name.rpartition(".")
        while home in MODULES and MODULES[home].name == "__init__.py" and name not in MODULES:
            homes = [other for other in _imports_of(home) if other.endswith(f".{last}")]
            if not homes or homes[0] == name:
                break
            name = homes[0]  # noqa: PLW2901  followed to where it is defined
            home = name.rpartition(".")[0]
        found.add(name if name in MODULES else home)
    return {name for name in found if name in MODULES and name != module}


def _circles(arrows: dict[str, set[str]]) -> list[set[str]]:
    """Find the modules that reach themselves, circle by circle."""
    reached = {name: set(ends) for name, ends in arrows.items()}
    for middle in arrows:
        for ends in reached.values():
            if middle in ends:
                ends.update(reached[middle])
    circles: list[set[str]] = []
    for name in arrows:
        circle = {other for other in reached[name] if name in reached.get(other, set())}
        if name in circle and circle not in circles:
            circles.append(circle)
    return circles


def _public_functions(module: str) -> list[tuple[str, ast.FunctionDef | ast.AsyncFunctionDef]]:
    """List functions and methods without a leading underscore, by their dotted name."""
    tree = ast.parse(MODULES[module].read_text(encoding="utf-8"))
    found: list[tuple[str, ast.FunctionDef | ast.AsyncFunctionDef]] = []

    def collect(body: list[ast.stmt], prefix: str) -> None:
        for node in body:
            if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
                if not node.name.startswith("_") and not _is_overload(node):
                    found.append((f"{prefix}.{node.name}", node))
            elif isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                collect(node.body, f"{prefix}.{node.name}")

    collect(tree.body, module)
    return found


def _is_overload(function: ast.FunctionDef | ast.AsyncFunctionDef) -> bool:
    """Say whether a function only declares one of several signatures."""
    return any(isinstance(d, ast.Name) and d.id == "overload" for d in function.decorator_list)


def _names_in_init(package: str) -> set[str]:
    """Collect what a package defines itself, and what it brings in from its own modules."""
    tree = ast.parse(MODULES[package].read_text(encoding="utf-8"))
    names: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and _belongs(node.module or "", ORDER):
            names.update(alias.asname or alias.name for alias in node.names)
    for node in tree.body:
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
            names.add(node.name)
        elif isinstance(node, ast.Assign):
            names.update(target.id for target in node.targets if isinstance(target, ast.Name))
    return {name for name in names if not name.startswith("_")}


def _untyped(function: ast.FunctionDef | ast.AsyncFunctionDef) -> list[str]:
    """List the arguments of a function that have no type, and a missing return type."""
    arguments = function.args
    named = [*arguments.posonlyargs, *arguments.args, *arguments.kwonlyargs]
    rest = [argument for argument in (arguments.vararg, arguments.kwarg) if argument]
    missing = [
        argument.arg
        for argument in [*named, *rest]
        if argument.annotation is None and argument.arg not in {"self", "cls"}
    ]
    return missing if function.returns is not None else [*missing, "return"]


def test_shared_is_found() -> None:
    """The checks below look at real modules, not at an empty list."""
    assert {"shared", "shared.parameters", "shared.patch"} <= set(MODULES)


def test_no_import_points_back() -> None:
    """Imports run one way: shared <- voice <- matcher, and nothing imports the command line."""
    back = {module: _arrows_back(module, _imports_of(module)) for module in MODULES}
    assert {module: arrows for module, arrows in back.items() if arrows} == {}


def test_no_modules_import_each_other() -> None:
    """No circle, of imports inside functions and for types neither."""
    assert _circles({module: _modules_behind(module) for module in MODULES}) == []


def test_a_circle_is_seen() -> None:
    """The check itself finds one, and names who is in it."""
    assert _circles({"a": {"b"}, "b": {"c"}, "c": {"b"}, "d": {"a"}}) == [{"b", "c"}]


@pytest.mark.parametrize(
    ("module", "source", "culprit"),
    [
        ("shared.units", "import voice.render", "voice.render"),
        ("voice.render", "from matcher import target", "matcher"),
        ("voice.render", "def f():\n    import matcher.matching", "matcher.matching"),
        ("matcher.matching", "from matcher import cli", "matcher.cli"),
        ("matcher.matching", "from . import cli", "matcher.cli"),
        ("matcher.losses.onset", "from ..optimise import engine", "matcher.optimise"),
        ("matcher.target.pitch", "from matcher.matching import match", "matcher.matching"),
        ("matcher.optimise.engine", "from voice import render", "voice"),
        ("matcher.optimise.engine", "from matcher.report import write_report", "matcher.report"),
        ("matcher.plots.curves", "import matcher.report.writing", "matcher.report.writing"),
        ("matcher.optimise.engine", "from matcher.losses import total", "matcher.losses"),
    ],
)
def test_an_import_that_points_back_is_seen(module: str, source: str, culprit: str) -> None:
    """The check itself catches each kind of arrow in each way of writing it."""
    assert culprit in _arrows_back(module, _imports(module, source))


@pytest.mark.parametrize(
    ("module", "source"),
    [
        ("voice.render", "from shared.patch import Patch"),
        ("matcher.matching", "from matcher.losses import total\nfrom voice import render"),
        ("matcher.cli", "from matcher.matching import match"),
        ("matcher.losses.onset", "from matcher.target import Target"),
    ],
)
def test_an_import_that_points_forward_passes(module: str, source: str) -> None:
    """The check lets through what the layout allows."""
    assert _arrows_back(module, _imports(module, source)) == []


def test_modules_stay_short() -> None:
    """A module has at most 600 lines; a longer one is split by subject."""
    lines = {name: len(path.read_text("utf-8").splitlines()) for name, path in MODULES.items()}
    assert {name: n for name, n in lines.items() if n > MAX_LINES} == {}


def test_public_functions_are_documented_and_typed() -> None:
    """Every public function and method has a docstring, and types for all that goes in and out."""
    functions = [pair for module in PUBLIC_MODULES for pair in _public_functions(module)]
    assert [name for name, node in functions if not ast.get_docstring(node)] == []
    assert {name: _untyped(node) for name, node in functions if _untyped(node)} == {}


def test_tests_import_no_private_names() -> None:
    """What a test needs of a module is no private name, and in no private module."""
    private = [
        f"{path.relative_to(ROOT)}: {name}"
        for path in sorted((ROOT / "tests").rglob("*.py"))
        for name in _imports(path.stem, path.read_text(encoding="utf-8"))
        if _belongs(name, ORDER) and "._" in name
    ]
    assert private == []


@pytest.mark.parametrize("package", PACKAGES)
def test_all_lists_the_public_names(package: str) -> None:
    """`__all__` of a package is what its `__init__` defines or brings in; each name is there."""
    module = importlib.import_module(package)
    assert set(module.__all__) == _names_in_init(package)
    assert [name for name in module.__all__ if not hasattr(module, name)] == []
