"""The import layers of the package, checked on the source itself."""

import ast
import re
from pathlib import Path

import pytest

from triage.species import load_species, species_names

PACKAGE = Path(__file__).parent.parent / "triage"

#: From what a person runs down to the errors; each line may import from lines below it only.
LAYERS = [
    {"cli", "training", "face"},
    {"app"},
    {"workflow"},
    {"proving"},
    {"vision", "genetics", "storage", "hatchery"},
    {"species"},
    {"records", "files", "outputs"},
    {"errors", "signs"},
]
#: Training renders hatchlings and fits the model: it stands above both, so this needs no exception.
HEAVY = {"torch": {"vision", "hatchery", "training"}, "sqlalchemy": {"storage"}, "streamlit": {"app"}}


def imports_of(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"), str(path))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            found |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def part_of(module: str) -> str | None:
    words = module.split(".")
    return words[1] if words[0] == "triage" and len(words) > 1 and words[1] in set().union(*LAYERS) else None


_TOP = ("errors", "records", "files", "outputs", "signs", "face")
FILES = sorted(p for p in PACKAGE.rglob("*.py") if p.parent != PACKAGE or p.stem in _TOP)


def own_part(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def test_every_part_has_its_layer():
    assert {own_part(p) for p in FILES} <= set().union(*LAYERS)
    assert len(FILES) > 10


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_point_downwards(path):
    here = own_part(path)
    level = next(i for i, names in enumerate(LAYERS) if here in names)
    allowed = {here}.union(*LAYERS[level + 1 :])
    used = {part_of(m) for m in imports_of(path)} - {None}
    assert used <= allowed, f"{path.name} in {here} imports {sorted(used - allowed)}"


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_heavy_libraries_stay_where_they_belong(path):
    roots = {m.split(".")[0] for m in imports_of(path)}
    for library, homes in HEAVY.items():
        assert library not in roots or own_part(path) in homes, f"{path.name} imports {library}"


#: What each reference may take from the engine's side: the plain values that both are asked about.
REFERENCES = {"clutch": set(), "collection": {"triage.genetics.collection.members"}}


@pytest.mark.parametrize("name", REFERENCES)
def test_engines_and_references_share_no_code(name):
    """A helper shared with the engine would hide its own bug."""
    found = {m for m in imports_of(PACKAGE / "genetics" / "references" / f"{name}.py") if m.startswith("triage.genetics")}
    modules = {m if (PACKAGE.parent / (m.replace(".", "/") + ".py")).is_file() else m.rsplit(".", 1)[0] for m in found}
    assert modules == REFERENCES[name]


def test_no_engine_knows_its_reference():
    for path in FILES:
        if "references" not in path.parts:
            assert not any(m.startswith("triage.genetics.references") for m in imports_of(path)), path.name


def names_of_species() -> set[str]:
    species = [load_species(name) for name in species_names()]
    return {word for one in species for word in (one.key, one.name, one.scientific_name, *one.synonyms)}


def _is_example(text: str) -> bool:
    """Whether a text is lines to type, as the help of a command shows below "examples:": each calls the program."""
    return text.endswith("\n") and all(line.startswith("  triage ") for line in text.splitlines())


def constants_of(source: str) -> list[str]:
    """Texts that code holds, without docstrings and without the examples that a command's help shows."""
    tree = ast.parse(source)
    docstrings = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    texts = [node for node in ast.walk(tree) if isinstance(node, ast.Constant) and isinstance(node.value, str)]
    return [one.value for one in texts if id(one) not in docstrings and not _is_example(one.value)]


def species_named_in(source: str) -> list[str]:
    """Texts of code that name a species, in the plural or as part of a file's name too; "corners" is no corn snake."""
    names = "|".join(re.escape(name) for name in sorted(names_of_species(), key=len, reverse=True))
    return [text for text in constants_of(source) if re.search(rf"(?<![a-z])({names})s?(?![a-z])", text, re.IGNORECASE)]


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_no_code_names_a_species(path):
    """What differs between species is data."""
    assert species_named_in(path.read_text("utf-8")) == []


def test_a_species_named_in_code_is_found():
    named = ['x = "Ball pythons lay eggs"', 'f"models/python_regius_{n}.json"', 'say("Royal Python")', 'EXAMPLES = "the corn snake"']
    assert all(species_named_in(source) for source in named)
    unnamed = ['"""Of a ball python."""', 'x = "align_corners"', 'EXAMPLES = "  triage genes snow --species \\"corn snake\\"\\n"']
    assert not any(species_named_in(source) for source in unnamed)


def test_importing_the_package_is_light():
    import subprocess
    import sys

    code = "import sys, triage, triage.errors, triage.records; print(sorted({'torch', 'numpy', 'yaml'} & set(sys.modules)))"
    assert subprocess.check_output([sys.executable, "-c", code], text=True).strip() == "[]"
