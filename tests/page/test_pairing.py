"""Who may give commands: keys, links, pedals, the file that only the unit reads."""

from __future__ import annotations

import json
import os

import pytest

from zerobeat.errors import CommandError, StoreError
from zerobeat.page.pairing import (
    ASKING_S,
    HEARD_S,
    LINK_S,
    MOST_ASKING,
    MOST_PHONES,
    Pairing,
    phone_name,
    signature,
)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "page/phones.json"


def by_link(pairing: Pairing, now_s: float = 0.0):
    key = pairing.offer(now_s)
    name = phone_name(key)
    return key, pairing.take_link(name, signature(key, pairing.run, "pair", name), now_s)


def test_the_signature_is_hmac_sha_256():
    """RFC 4231, test case 2: key "Jefe", as one part."""
    found = signature("Jefe", "what do ya want for nothing?")
    assert found == "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"


def test_a_link_pairs_one_phone_and_lasts_over_restarts(path):
    pairing = Pairing(path)
    key, phone = by_link(pairing)
    assert phone is not None and phone.by == "link"
    name, run = phone.name, pairing.run
    sign = signature(key, run, "pair", name)
    assert pairing.take_link(name, sign, 0.0) is None  # used up
    again = Pairing(path)
    assert again.run != run
    assert again.is_signed(name, signature(key, again.run, "1", "x"), "1", "x")
    assert not again.is_signed(name, signature(key, run, "1", "x"), "1", "x")  # of another start


@pytest.fixture
def generous_umask():
    before = os.umask(0)
    yield
    os.umask(before)


@pytest.mark.usefixtures("generous_umask")
def test_only_its_user_may_read_the_file(path):
    pairing = Pairing(path)
    by_link(pairing)
    assert path.stat().st_mode & 0o777 == 0o600
    assert path.parent.stat().st_mode & 0o777 == 0o700
    path.chmod(0o644)
    Pairing(path)
    assert path.stat().st_mode & 0o777 == 0o600


def test_a_wrong_or_old_link_pairs_nobody(path):
    pairing = Pairing(path)
    key = pairing.offer(0.0)
    name = phone_name(key)
    sign = signature(key, pairing.run, "pair", name)
    other = phone_name("0" * 32)
    assert pairing.take_link(name, "0" * 64, 0.0) is None
    assert pairing.take_link(other, sign, 0.0) is None
    assert pairing.take_link(name, "é" * 64, 0.0) is None
    assert pairing.take_link(name, sign, LINK_S + 1.0) is None
    assert pairing.phones == [] and not path.exists()


@pytest.mark.parametrize("spoilt", ["sign", "name", "number", "text"])
def test_what_was_not_signed_by_a_phone_is_not(path, spoilt):
    pairing = Pairing(path)
    key, phone = by_link(pairing)
    sent = {
        "name": phone.name,
        "sign": signature(key, pairing.run, "7", "next"),
        "number": "7",
        "text": "next",
    }
    assert pairing.is_signed(*sent.values())
    sent[spoilt] = {"name": "0" * 12, "sign": "0" * 64, "number": "8", "text": "panic"}[spoilt]
    assert not pairing.is_signed(*sent.values())


def test_a_pedal_pairs_the_one_phone_that_waits(path):
    pairing = Pairing(path)
    assert "none waits" in pairing.confirm(0.0)
    ticket = pairing.ask(0.0)
    assert pairing.poll(ticket, 1.0) == {"waiting": round(ASKING_S - 1.0)}
    assert "paired" in pairing.confirm(2.0)
    key = pairing.poll(ticket, 3.0)["key"]
    assert [phone.by for phone in pairing.phones] == ["pedal"]
    assert pairing.is_signed(phone_name(key), signature(key, pairing.run, "x"), "x")
    assert "refused" in pairing.poll(ticket, 3.0)  # told once


def test_two_phones_that_wait_are_both_refused(path):
    pairing = Pairing(path)
    tickets = [pairing.ask(0.0) for _ in range(2)]
    assert "none is paired" in pairing.confirm(1.0)
    for ticket in tickets:
        assert "one at a time" in pairing.poll(ticket, 2.0)["refused"]
    assert pairing.phones == []


def test_a_phone_that_has_gone_does_not_wait(path):
    pairing = Pairing(path)
    pairing.ask(0.0)
    assert "none waits" in pairing.confirm(HEARD_S + 0.1)
    late = pairing.ask(100.0)
    assert "refused" in pairing.poll(late, 100.0 + ASKING_S)


def test_counts_are_bounded(path):
    pairing = Pairing(path)
    for _ in range(MOST_ASKING):
        pairing.ask(0.0)
    with pytest.raises(CommandError, match="too many phones ask"):
        pairing.ask(0.0)
    for _ in range(MOST_PHONES):
        assert by_link(pairing)[1] is not None
    with pytest.raises(CommandError, match="16 phones are paired; revoke one first"):
        pairing.offer(0.0)


def test_a_revoked_phone_may_no_more_even_after_a_restart(path):
    pairing = Pairing(path)
    (key, phone), (_, other) = by_link(pairing), by_link(pairing)
    with pytest.raises(CommandError, match="phone: found nobody; allowed: all, "):
        pairing.revoke("nobody")
    assert pairing.revoke(phone.name) == [phone.name]
    assert not pairing.is_signed(phone.name, signature(key, pairing.run, "1"), "1")
    assert [p.name for p in Pairing(path).phones] == [other.name]
    waiting = pairing.offer(0.0)
    assert pairing.revoke("all") == [other.name]
    name = phone_name(waiting)
    assert pairing.take_link(name, signature(waiting, pairing.run, "pair", name), 0.0) is None


@pytest.mark.parametrize("content", ["", "[]", '{"phones": [{"name": 1}]}', '{"phones": 3}', "{"])
def test_a_damaged_file_is_one_clear_line(path, content):
    path.parent.mkdir()
    path.write_text(content)
    pairing = Pairing(path)  # the page is served all the same
    assert "phones.json: is damaged, so no phone is paired; zerobeat page" in pairing.fault
    with pytest.raises(CommandError, match="is damaged"):
        pairing.offer(0.0)
    assert path.read_text() == content
    pairing.revoke("all")
    assert by_link(pairing)[1] is not None and Pairing(path).fault == ""


def test_a_file_that_cannot_be_written_pairs_nobody(path):
    pairing = Pairing(path)
    path.mkdir(parents=True)  # in its place
    with pytest.raises(StoreError, match=r"phones.json: can't be written"):
        by_link(pairing)
    assert pairing.phones == []


def test_the_file_says_nothing_but_what_is_needed(path):
    pairing = Pairing(path)
    key, phone = by_link(pairing)
    (entry,) = json.loads(path.read_text())["phones"]
    assert entry == {"name": phone.name, "key": key, "since_s": phone.since_s, "by": "link"}
