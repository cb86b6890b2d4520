"""The lock that the README's commands install by."""

import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parent.parent
LOCK = ".ci/constraints.txt"


def locked():
    lines = [line for line in (ROOT / LOCK).read_text("utf-8").splitlines() if not line.startswith("#")]
    return {canonicalize_name(one.name): one for one in map(Requirement, lines)}


def test_every_line_is_one_version_for_the_platform_it_was_tested_on():
    for one in locked().values():
        (only,) = one.specifier
        assert only.operator == "==" and not one.marker.evaluate({"sys_platform": "darwin"})
        assert one.marker.evaluate({"sys_platform": "linux", "python_version": "3.11"})


@pytest.mark.parametrize("extra", ["dependencies", "test", "postgresql"])
def test_what_the_project_needs_is_locked_within_its_bounds(extra):
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    wanted = project["dependencies"] if extra == "dependencies" else project["optional-dependencies"][extra]
    for need in map(Requirement, wanted):
        if need.name != "triage":
            (version,) = locked()[canonicalize_name(need.name)].specifier
            assert need.specifier.contains(version.version), need


def test_every_command_of_the_readme_installs_by_it():
    commands = re.findall(r"^.*pip install .*$", (ROOT / "README.md").read_text("utf-8"), re.M)
    assert len(commands) >= 2 and all(f"-c {LOCK}" in one for one in commands if "-e " in one)
