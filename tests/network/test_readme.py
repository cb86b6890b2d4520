"""Every sentence that README says of the network, and the tests that hold it."""

import re
from pathlib import Path

import pytest

TESTS = Path(__file__).parent
README = TESTS.parents[1] / "README.md"
SENTENCES = {
    "shows an address, a passphrase of four words and a code.": ["test_address_passphrase_and_a_code_that_a_phone_reads"],
    "A phone in the same network scans the code, once and within ten minutes, or opens the address and types the "
    "passphrase.": [
        "test_a_phone_scans_the_code_takes_a_photo_and_keeps_the_clutch", "test_the_code_lets_in_once_and_not_late",
        "test_a_phone_types_the_passphrase_over_tls", "test_the_figures_are_those_of_the_program",
    ],
    "Photos of the phone's own camera come in full size through the field for photos.": [
        "test_a_phone_scans_the_code_takes_a_photo_and_keeps_the_clutch",
    ],
    "Passphrase and code are made anew at each start and end with the app.": [
        "test_every_start_makes_its_own_keys", "test_a_cookie_from_before_a_new_start_is_worth_nothing",
    ],
    "A wrong try makes whoever made it wait, twice as long each time up to a minute; a year of guessing finds fewer than one "
    "passphrase in 100,000.": [
        "test_each_wrong_try_of_a_client_waits_longer_up_to_a_bound",
        "test_a_year_of_guessing_finds_fewer_than_one_passphrase_in_100_000", "test_the_figures_are_those_of_the_program",
    ],
    "One address of this machine is served, the first of a home network or the one you name (`--network 192.168.1.20`); an "
    "address that the whole internet reaches is refused.": [
        "test_nothing_listens_elsewhere", "test_the_first_address_or_the_one_that_is_named_is_served",
        "test_the_first_of_a_home_is_taken_and_the_others_are_told", "test_no_other_address_is",
    ],
    "Without it nothing is served, not even the demo.": [
        "test_nothing_is_served_under_any_path", "test_nothing_is_served_to_any_method", "test_no_websocket_opens",
        "test_a_phone_scans_the_code_takes_a_photo_and_keeps_the_clutch",
    ],
    "Pages elsewhere cannot reach the app through the phone's browser.": [
        "test_no_page_of_another_origin_is_answered_with_the_cookie_either", "test_no_other_name_is_answered_with_the_cookie_either",
        "test_a_page_elsewhere_gets_nothing_through_the_phones_browser",
    ],
    "Without a certificate nothing is encrypted: whoever listens on the same network can read everything, the "
    "passphrase too, and come in with what was read.": [
        "test_without_a_certificate_whoever_listens_reads_passphrase_and_cookie",
    ],
    "Whoever was let in can see and change everything until the app ends.": [
        "test_who_is_let_in_gets_what_the_paths_stand_for", "test_a_phone_scans_the_code_takes_a_photo_and_keeps_the_clutch",
    ],
    "With a certificate all of it is encrypted.": [
        "test_with_a_certificate_whoever_listens_reads_neither", "test_nothing_is_answered_unencrypted_where_there_is_a_certificate",
    ],
    "One made by yourself will do; the phone warns of it unless you install it there:": [
        "test_the_certificate_that_the_readme_makes_is_taken", "test_a_client_that_does_not_trust_the_certificate_says_nothing",
        "test_with_a_certificate_whoever_listens_reads_neither",
    ],
    "A key in a file of its own goes to `--key`.": ["test_a_certificate_goes_with_it"],
    "Without `--network` no other machine reaches the app.": ["test_by_default_nothing_listens_but_on_loopback"],
}  # fmt: skip


def section():
    text = README.read_text("utf-8").partition("\n## The phone on the home network\n")[2].partition("\n## ")[0]
    return re.sub(r"```console\n.*?```|\*\*.*?\*\*", "", text, flags=re.S)


def test_every_sentence_is_held_by_tests():
    sentences = re.split(r"(?<=[.:]) (?=[A-Z])", " ".join(section().split()))
    assert sentences == list(SENTENCES)


@pytest.mark.parametrize("name", sorted({name for names in SENTENCES.values() for name in names}))
def test_those_tests_are_there(name):
    assert any(f"\ndef {name}(" in file.read_text("utf-8") for file in TESTS.glob("test_*.py"))


def test_the_figures_are_those_of_the_program():
    from triage.app.network.keys import CODE_MINUTES
    from triage.app.network.passphrase import N_WORDS
    from triage.app.network.slowing import LONGEST_S

    assert (CODE_MINUTES, N_WORDS, LONGEST_S) == (10, 4, 60)
