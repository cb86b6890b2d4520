"""Forms that are being filled in come back as they were, and one that is damaged is named, never half read."""

import json

import pytest

from triage.errors import StorageError
from triage.storage.unfinished import Unfinished, new_id

VALUES = {"dam_name": "Juniper", "sire_rows": [1], "mixed_percent": None, "label_percent": 95.0}
FILES = {3: (("a.jpg", b"one"), ("b.jpg", b"two")), 4: (("../a.jpg", b"one"),)}


@pytest.fixture
def forms(tmp_path):
    return Unfinished(tmp_path / "unfinished")


def keep(forms, values=VALUES, files=FILES, *, id=None, writer="a", after=None):
    id = id or new_id()
    assert forms.keep(id, writer, values, files, after=after)
    return id


def test_a_form_comes_back_as_it_was(forms):
    id = keep(forms)
    form = forms.read(id)
    assert (form.values, form.files, form.writer) == (VALUES, FILES, "a")
    assert [(one.id, one.values, one.files) for one in forms.all()] == [(id, VALUES, {})]
    assert all(path.stat().st_mode & 0o077 == 0 for path in (forms.folder, *forms.folder.rglob("*")))


def test_photos_that_were_taken_out_leave_the_folder(forms):
    id = keep(forms)
    keep(forms, files={3: (("b.jpg", b"two"),)}, id=id)
    assert forms.read(id).files == {3: (("b.jpg", b"two"),)} and len(list((forms.folder / id).iterdir())) == 2


def test_one_writer_keeps_on_and_another_only_what_nobody_has_kept_since(forms):
    id = keep(forms)
    taken_up = forms.read(id).kept
    keep(forms, {**VALUES, "dam_name": "Sage"}, id=id)
    assert not forms.keep(id, "b", VALUES, {}) and not forms.keep(id, "b", VALUES, {}, after=taken_up)
    assert forms.read(id).values["dam_name"] == "Sage"
    assert forms.keep(id, "b", {**VALUES, "dam_name": "Rue"}, {}, after=forms.read(id).kept)
    assert not forms.keep(id, "a", VALUES, {}) and forms.keep(id, "b", {**VALUES, "dam_name": "Thyme"}, {})
    assert [form.values["dam_name"] for form in forms.all()] == ["Thyme"]


def test_the_newest_form_stands_first(forms):
    ids = [keep(forms) for _ in range(3)]
    keep(forms, id=ids[1])
    assert [form.id for form in forms.all()] == [ids[1], ids[2], ids[0]]


def test_one_thrown_away_is_kept_anew_when_it_is_typed_on(forms):
    id = keep(forms)
    forms.remove(id)
    forms.remove(id)
    assert forms.all() == ()
    assert forms.read(keep(forms, id=id)).values == VALUES


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
    id = keep(forms)
    keep(forms, {**VALUES, "dam_name": "Sage"}, {})
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
        Unfinished(tmp_path / "unfinished").keep(new_id(), "a", VALUES, {})
