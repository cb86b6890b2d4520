"""Forms that are being filled in come back as they were, and one that is damaged is named, never half read."""

import json

import pytest

from triage.errors import StorageError
from triage.storage.unfinished import Unfinished

VALUES = {"dam_name": "Juniper", "sire_rows": [1], "mixed_percent": None, "label_percent": 95.0}
FILES = {3: (("a.jpg", b"one"), ("b.jpg", b"two")), 4: (("../a.jpg", b"one"),)}


@pytest.fixture
def forms(tmp_path):
    return Unfinished(tmp_path / "unfinished")


def test_a_form_comes_back_as_it_was(forms):
    id, version = forms.keep(VALUES, FILES)
    form = forms.read(id)
    assert (form.values, form.files, form.version) == (VALUES, FILES, version)
    assert [(one.id, one.values, one.files) for one in forms.all()] == [(id, VALUES, {})]
    assert all(path.stat().st_mode & 0o077 == 0 for path in (forms.folder, *forms.folder.rglob("*")))


def test_photos_that_were_taken_out_leave_the_folder(forms):
    id, version = forms.keep(VALUES, FILES)
    forms.keep(VALUES, {3: (("b.jpg", b"two"),)}, id=id, version=version)
    assert forms.read(id).files == {3: (("b.jpg", b"two"),)} and len(list((forms.folder / id).iterdir())) == 2


def test_what_somebody_else_has_kept_since_stays(forms):
    id, version = forms.keep(VALUES, {})
    same, newer = forms.keep({**VALUES, "dam_name": "Sage"}, {}, id=id, version=version)
    other, _ = forms.keep({**VALUES, "dam_name": "Rue"}, {}, id=id, version=version)
    assert same == id and newer != version and other != id
    assert [form.values["dam_name"] for form in forms.all()] == ["Rue", "Sage"]  # the newest first


def test_one_thrown_away_is_kept_anew_when_it_is_typed_on(forms):
    id, version = forms.keep(VALUES, {})
    forms.remove(id)
    forms.remove(id)
    other, _ = forms.keep(VALUES, {}, id=id, version=version)
    assert forms.read(other).values == VALUES


def damaged(change):
    return lambda path: path.write_text(json.dumps({**json.loads(path.read_text()), **change}))


@pytest.mark.parametrize(
    "harm",
    [
        lambda path: path.unlink(), lambda path: path.write_text("{"), lambda path: path.write_text("[" * 10**5),
        lambda path: path.write_text("[]"), damaged({"format": 2}), damaged({"kept": "yesterday"}), damaged({"files": [1]}),
        damaged({"files": {"3": [["a.jpg", "../../records"]]}}), damaged({"files": {"3": [["a.jpg", "0" * 64]]}}),
        lambda path: next(one for one in path.parent.iterdir() if one != path).write_bytes(b"other"),
    ],
)  # fmt: skip
def test_a_damaged_form_is_named(forms, harm):
    id, _ = forms.keep(VALUES, FILES)
    forms.keep({**VALUES, "dam_name": "Sage"}, {})
    harm(forms.folder / id / "form.json")
    with pytest.raises(StorageError, match=f"{id}.*enter it again"):
        forms.read(id)
    assert "Sage" in [form.values["dam_name"] for form in forms.all()]


@pytest.mark.parametrize("id", ["", "..", "../unfinished", "0" * 15, "0" * 17, "A" * 16])
def test_only_names_of_forms_are_looked_for(forms, id):
    with pytest.raises(StorageError, match="no name of one"):
        forms.read(id)


def test_a_folder_that_cannot_be_written_is_refused(tmp_path):
    (tmp_path / "unfinished").write_text("in the way")
    with pytest.raises(StorageError, match="cannot be written"):
        Unfinished(tmp_path / "unfinished").keep(VALUES, {})
