"""Every bad clutch sheet gets one line: file, line number, what was found, and the cure."""

import time

import pytest

from triage.errors import SheetError, WorkTooLargeError
from triage.workflow.sheet import ClutchForm, EggForm, SireForm, load_sheet, sheet_from_form
from triage.workflow.sort import sort_clutch

GOOD = """\
species: ball python
mixed: 0.1
dam:
  name: Juniper
  genes: pastel, 66% het clown
sires:
  - {name: Basil, genes: "enchi, het clown", share: 0.8}
  - {name: Thyme, genes: mojave, share: 0.2}
eggs:
  - label: A1
    sex: female
    call: pastel enchi
  - label: A2
    evidence:
      pastel: 0.7
      otherwise: 0.01
"""

#: Name, text replaced in the good sheet, its replacement, line of the complaint, words found, words of the cure.
REFUSED = [
    ("missing photo", "call: pastel enchi", "photos: [gone.jpg]", 12, "photo 'gone.jpg' is not there", "an image file at"),
    ("unknown gene", "pastel, 66% het clown", "pastle", 5, "'pastle'", "pastel"),
    ("unknown gene of a sire", "genes: mojave", "genes: mojvae", 8, "'mojvae'", "mojave"),
    ("unknown gene in a call", "call: pastel enchi", "call: pastel enhci", 12, "'enhci'", "enchi"),
    ("unknown gene in evidence", "pastel: 0.7", "pastle: 0.7", 15, "'pastle'", "pastel"),
    ("shares", "share: 0.2", "share: 0.3", 7, "0.8 + 0.3 = 1.1", "a sum of 1"),
    ("some shares", ", share: 0.2", "", 7, "some sires have a share and some have none", "a share for each, or for none"),
    ("share above 1", "share: 0.8", "share: 8", 7, "'share' of entry 1 of 'sires' of the sheet is 8", "a number from 0 to 1"),
    ("three alleles of a series", "genes: mojave", 'genes: "mojave, lesser, phantom"', 8, "mojave", "two"),
    ("visual and het", "pastel, 66% het clown", "clown, het clown", 5, "clown", "one of"),
    ("duplicated labels", "label: A2", "label: A1", 13, "label 'A1' already stands at line 10", "a label of its own"),
    ("empty clutch", GOOD[GOOD.index("eggs:") :], "eggs: []\n", 9, "'eggs' is an empty list", "at least one egg"),
    ("eggs left blank", GOOD[GOOD.index("eggs:") :], "eggs:\n", 9, "is empty", "a list"),
    ("no eggs", GOOD[GOOD.index("eggs:") :], "", 1, "the sheet has no 'eggs'", "a list of at least one egg"),
    ("no sires", GOOD[GOOD.index("sires:") : GOOD.index("eggs:")], "sires: []\n", 6, "'sires' is an empty list", "at least one"),
    ("sire without genes", ", genes: mojave", "", 8, "Thyme has no 'genes'", "genes: normal"),
    ("dam without genes", "  genes: pastel, 66% het clown\n", "", 4, "Juniper has no 'genes'", "genes: normal"),
    ("two parents of one name", "name: Thyme", "name: Juniper", 7, "'Juniper' stands twice", "names of parents that differ"),
    ("unknown key", "mixed: 0.1", "mixd: 0.1", 1, "unknown key 'mixd'", "did you mean 'mixed'"),
    ("unknown key of an egg", "sex: female", "sax: female", 10, "unknown key 'sax'", "did you mean 'sex'"),
    ("key twice", "mixed: 0.1", "mixed: 0.1\nmixed: 0.2", 3, "'mixed' stands twice", "once"),
    ("no species", "species: ball python\n", "", 1, "the sheet has no 'species'", "species: ball python"),
    ("unknown species", "ball python", "ball pyton", 1, "ball pyton", "ball python"),
    ("not YAML", "dam:", "dam: [", 5, "not valid YAML", "README.md"),
    ("a list at the top", GOOD, "- ball python\n", 1, "the sheet is a list", "key: value"),
    ("text at the top", GOOD, "ball python\n", 1, "the sheet is 'ball python'", "key: value"),
    ("dam a word", GOOD[GOOD.index("dam:") : GOOD.index("sires:")], "dam: pastel\n", 3, "is 'pastel'", "key: value"),
    ("sires no list", GOOD[GOOD.index("sires:") : GOOD.index("eggs:")], "sires: {name: Basil}\n", 6, "a table", "a list"),
    ("genes a list", "genes: mojave", "genes: [mojave]", 8, "is a list", "trade shorthand"),
    ("mixed a word", "mixed: 0.1", "mixed: often", 2, "is 'often'", "a number from 0 to 1"),
    ("mixed out of range", "mixed: 0.1", "mixed: 1.5", 2, "is 1.5", "a number from 0 to 1"),
    ("mixed not a number", "mixed: 0.1", "mixed: .nan", 2, ".nan", "a number from 0 to 1"),
    ("likelihood not finite", "pastel: 0.7", "pastel: .inf", 15, ".inf", "a number of 0 or more"),
    ("likelihood without end", "pastel: 0.7", "pastel: inf", 15, "inf", "a number of 0 or more"),
    ("likelihood below 0", "pastel: 0.7", "pastel: -0.7", 15, "is -0.7", "a number of 0 or more"),
    ("likelihoods all 0", "pastel: 0.7\n      otherwise: 0.01", "pastel: 0", 15, "every likelihood of 'evidence' is 0", "above 0"),
    ("evidence names nothing", "pastel: 0.7\n", "\n", 16, "'evidence' names no visual call", "pastel: 0.7"),
    ("one call twice", "pastel: 0.7", "pastel: 0.7\n      PASTEL: 0.1", 15, "already has a likelihood", "each visual call once"),
    ("sex unknown", "sex: female", "sex: lady", 11, "is 'lady'", "one of female, male"),
    ("egg without label", "label: A2\n    ", "", 13, "has no 'label'", "label: A1"),
    ("crossover of no sex-linked gene", "mixed: 0.1", "crossover: {pastel: 0.1}", 2, "'pastel' is no sex-linked gene", "banana"),
    ("crossover above a half", "mixed: 0.1", "crossover: {banana: 0.6}", 2, "is 0.6", "a number from 0 to 0.5"),
    (
        "linked to itself",
        "mixed: 0.1",
        "linked: [{genes: [pastel, pastel], recombination: 0.1}]",
        2,
        "pastel, pastel",
        "two different loci",
    ),
    ("linked one gene", "mixed: 0.1", "linked: [{genes: [pastel], recombination: 0.1}]", 2, "names pastel", "two genes"),
    ("linked above a half", "mixed: 0.1", "linked: [{genes: [pastel, clown], recombination: 0.7}]", 2, "0.7", "0 to 0.5"),
    (
        "linked phase",
        "mixed: 0.1",
        "linked: [{genes: [pastel, clown], recombination: 0.1, phase: {Juniper: side}}]",
        2,
        "side",
        "coupling",
    ),
    ("laboratory copies", "sex: female", "laboratory: [{gene: clown, copies: 3}]", 11, "is 3", "a number from 0 to 2"),
    ("laboratory half a copy", "sex: female", "laboratory: [{gene: clown, copies: 1.5}]", 11, "is 1.5", "a whole number from 0 to 2"),
    ("laboratory without copies", "sex: female", "laboratory: [{gene: clown}]", 11, "has no 'copies'", "0, 1 or 2"),
    ("laboratory gene", "sex: female", "laboratory: [{gene: clwn, copies: 1}]", 11, "clwn", "clown"),
]


@pytest.mark.parametrize(("old", "new", "line", "found", "cure"), [r[1:] for r in REFUSED], ids=[r[0] for r in REFUSED])
def test_refused_in_one_line(tmp_path, old, new, line, found, cure):
    assert GOOD.count(old) == 1, "the table must change one place of the good sheet"
    path = tmp_path / "clutch.yaml"
    path.write_text(GOOD.replace(old, new), "utf-8")
    with pytest.raises(SheetError) as refusal:
        load_sheet(path)
    message = str(refusal.value)
    assert message.startswith(f"clutch.yaml, line {line}: ")
    assert found in message
    assert cure in message
    assert "\n" not in message


def test_the_sheet_that_the_table_breaks_is_good(tmp_path):
    path = tmp_path / "clutch.yaml"
    path.write_text(GOOD, "utf-8")
    assert [e.label for e in load_sheet(path).eggs] == ["A1", "A2"]


def test_empty_file(tmp_path):
    for text in ("", "\n", "# only a remark\n"):
        path = tmp_path / "clutch.yaml"
        path.write_text(text, "utf-8")
        with pytest.raises(SheetError, match=r"^clutch\.yaml: the sheet is empty; needed: species, dam, sires and eggs"):
            load_sheet(path)


def test_no_file_a_folder_no_text_and_far_too_long(tmp_path):
    with pytest.raises(SheetError, match=r"gone\.yaml: no such file; needed: a clutch sheet"):
        load_sheet(tmp_path / "gone.yaml")
    with pytest.raises(SheetError, match="it is a folder; needed: a clutch sheet"):
        load_sheet(tmp_path)
    picture = tmp_path / "a1.jpg"
    picture.write_bytes(b"\xff\xd8\xff\xe0\x00\x10JFIF")
    with pytest.raises(SheetError, match=r"a1\.jpg: not a text file in UTF-8; needed: a clutch sheet"):
        load_sheet(picture)
    with pytest.raises(SheetError, match=r"standard input: 1,000,001 characters; needed: .* at most 1,000,000"):
        load_sheet(text="#" * 1_000_001)


def test_standard_input_is_named_in_the_refusal():
    with pytest.raises(SheetError, match=r"^standard input, line 5: .*'pastle'"):
        load_sheet(text=GOOD.replace("pastel, 66% het clown", "pastle"))


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"dam_genes": "pastle"}, r"dam's genes: .*'pastle'.*pastel"),
        ({"sires": ()}, "sires: none entered; needed: at least one candidate sire"),
        ({"sires": (SireForm("Basil", "enhci"),)}, r"genes of Basil: .*'enhci'.*enchi"),
        ({"sires": (SireForm("B", "enchi", 0.5), SireForm("C", "mojave", 0.6))}, r"sires: .*0\.5 \+ 0\.6 = 1\.1; needed: a sum of 1"),
        ({"sires": (SireForm("Juniper", "enchi"),)}, "parents: 'Juniper' stands twice"),
        ({"eggs": ()}, "hatchlings: none entered; needed: at least one photo or call"),
        ({"eggs": (EggForm("A1"), EggForm("A1"))}, "hatchlings: 'A1' stands twice"),
        ({"eggs": (EggForm("A1", call="pastle"),)}, r"call of hatchling A1: .*'pastle'.*pastel"),
    ],
)
def test_form_refusals_name_the_field(changes, message):
    form = {"dam_name": "Juniper", "dam_genes": "pastel", "sires": (SireForm("Basil", "enchi"),), "eggs": (EggForm("A1"),)}
    with pytest.raises(SheetError, match=message):
        sheet_from_form(ClutchForm(**{**form, **changes}))


def test_a_half_written_sheet_is_read_or_refused_in_one_line():
    """Cut off after every few signs: what is left is a sheet with fewer eggs, or a refusal that names the place."""
    read = 0
    for end in range(0, len(GOOD), 3):
        try:
            sheet = load_sheet(text=GOOD[:end], name="clutch.yaml")
        except SheetError as error:
            assert str(error).startswith("clutch.yaml") and "\n" not in str(error)
        else:
            read += 1
            assert sheet.eggs
    assert read > 3


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[" * 400_000, "line 1: not valid YAML (nested more than 50 deep)"),
        ("".join(" " * depth + "a:\n" for depth in range(900)), "line 50: not valid YAML (nested more than 50 deep)"),
        ("a0: &a0 [x, x]\n" + "".join(f"a{n}: &a{n} [*a{n - 1}, *a{n - 1}]\n" for n in range(1, 40)), "over 200,000 values"),
        ("&a [*a]", "an alias within what it stands for"),
        ('a: "\\U00110000"', "an escape that is no character"),
        ('a: "\\UFFFFFFFF"', "an escape that is no character"),
        ('a: "\\ud800"', "line 1: not valid YAML (half of a character)"),
        (GOOD.replace("A2", "A" * 20_000), "line 13: 'label' of entry 2 of 'eggs' of the sheet has 20,000 characters; needed: at most 10,000"),
        (GOOD.replace("mixed: 0.1", f"mixed: {'9' * 5000}"), "line 2: 'mixed' of the sheet is 9999"),
        (GOOD.replace("mixed: 0.1", "laid: 9999-12-31"), "line 2: 'laid' of the sheet is '9999-12-31'; needed: a date such as"),
        (GOOD.replace("pastel, 66%", "pastel, -66%"), "line 5: '-66%' in 'pastel, -66% het clown' is no chance"),
    ],
)
def test_a_hostile_sheet_is_refused_at_once(text, words):
    began = time.process_time()
    with pytest.raises(SheetError) as refusal:
        load_sheet(text=text)
    assert time.process_time() - began < 1
    assert words in str(refusal.value) and "\n" not in str(refusal.value) and len(str(refusal.value)) < 400


@pytest.mark.parametrize("before", ["66% het clown\n", "    sex: female\n"], ids=["a parent", "an egg"])
def test_more_results_than_can_be_weighed_are_refused_before_the_work(before):
    many = ", ".join(["{gene: clown, copies: 1, false_positive: 0.4, false_negative: 0.4}"] * 501)
    indent = "  " if before.startswith("66") else "    "
    sheet = load_sheet(text=GOOD.replace(before, f"{before}{indent}laboratory: [{many}]\n"))
    with pytest.raises(WorkTooLargeError, match="501 results and outcomes of Juniper and Basil or Thyme and their eggs are too many to weigh"):
        sort_clutch(sheet)


def test_an_alias_stands_for_what_it_names():
    aliased = GOOD.replace("call: pastel enchi", "call: &same pastel enchi").replace("- label: A2", "- label: A2\n    call: *same")
    assert [egg.words for egg in load_sheet(text=aliased).eggs] == ["pastel enchi"] * 2


def test_a_photo_of_a_name_that_no_file_can_have():
    with pytest.raises(SheetError, match="line 12: photo 'aaa.*' is not there"):
        load_sheet(text=GOOD.replace("call: pastel enchi", f"photos: [{'a' * 5000}.jpg]"))


@pytest.mark.parametrize("mixed", [float("nan"), -0.1, 1.1, True])
def test_a_form_s_numbers_have_the_ranges_of_the_records(mixed):
    form = {"dam_name": "Juniper", "dam_genes": "pastel", "eggs": (EggForm("A1"),)}
    with pytest.raises(SheetError, match="chance of several sires: .*; needed: a number from 0 to 1"):
        sheet_from_form(ClutchForm(**form, sires=(SireForm("Basil", "enchi"),), mixed=mixed))
    with pytest.raises(SheetError, match="share of Basil: .*; needed: a number from 0 to 1"):
        sheet_from_form(ClutchForm(**form, sires=(SireForm("Basil", "enchi", mixed),)))
