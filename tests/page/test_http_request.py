"""Requests as they come from a network: whole, broken, oversized, random."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from zerobeat.page.http_request import (
    MOST_BODY,
    MOST_HEADERS,
    HttpRequest,
    RequestRefused,
    body_length,
    parse_head,
)
from zerobeat.page.rate_limit import MOST_BUCKETS, RateLimit, address_key


def head(*lines: str) -> bytes:
    return ("\r\n".join(lines) + "\r\n\r\n").encode("latin-1")


def test_a_request_is_read():
    raw = head("GET /live HTTP/1.1", "Host:  box.local:8080 ", "X-Any:", "Accept: a, b")
    wanted = {"host": "box.local:8080", "x-any": "", "accept": "a, b"}
    assert parse_head(raw) == HttpRequest("GET", "/live", wanted)


@pytest.mark.parametrize(
    ("raw", "status"),
    [
        (head("GET  / HTTP/1.1"), 400),
        (head("GET / HTTP/2"), 400),
        (head("GET http://elsewhere/ HTTP/1.1"), 400),
        (head("get / HTTP/1.1"), 400),
        (head("GET /a\x00b HTTP/1.1"), 400),
        (head(f"GET /{'a' * 1024} HTTP/1.1"), 400),
        (head("CONNECT / HTTP/1.1"), 405),
        (head("GET / HTTP/1.1", "Host : x"), 400),
        (head("GET / HTTP/1.1", " folded"), 400),
        (head("GET / HTTP/1.1", "Host: a", "hOST: b"), 400),
        (head("GET / HTTP/1.1", "X: a\nb"), 400),
        (head("GET / HTTP/1.1", "X: \xff"), 400),
        (head("POST / HTTP/1.1", "Transfer-Encoding: chunked"), 411),
        (head("GET / HTTP/1.1", *(f"X-{n}: 1" for n in range(MOST_HEADERS + 1))), 431),
    ],
)
def test_a_broken_request_is_refused(raw, status):
    with pytest.raises(RequestRefused) as caught:
        parse_head(raw)
    assert caught.value.status == status


@pytest.mark.parametrize(
    ("length", "status"),
    [
        ("-1", 400),
        ("+1", 400),
        ("1e3", 400),
        ("٣", 400),
        (str(MOST_BODY + 1), 413),
        ("9" * 99, 413),
    ],
)
def test_a_wrong_length_is_refused(length, status):
    with pytest.raises(RequestRefused) as caught:
        body_length(HttpRequest("POST", "/press", {"content-length": length}))
    assert caught.value.status == status


@given(st.binary(max_size=300))
def test_random_bytes_are_read_or_refused(raw):
    try:
        request = parse_head(raw + b"\r\n\r\n")
    except RequestRefused:
        return
    assert request.path.startswith("/") and request.method in ("GET", "HEAD", "POST")


def test_a_bucket_empties_fills_and_is_forgotten():
    limit = RateLimit(rate_hz=2.0, burst=3.0)
    assert [limit.allows("a", 0.0) for _ in range(4)] == [True, True, True, False]
    assert limit.is_empty("a", 0.4) and not limit.is_empty("a", 0.5)
    assert limit.allows("b", 0.0)  # another address has its own
    assert limit.allows("a", 0.5) and not limit.allows("a", 0.5)
    for number in range(MOST_BUCKETS):
        limit.allows(str(number), 1.0)
    assert len(limit._buckets) == MOST_BUCKETS


def test_a_household_of_ipv6_is_one_address():
    assert address_key("fd00::1") == address_key("fd00::ffff:2") != address_key("fd00:1::1")
    assert address_key("192.168.4.7") == "192.168.4.7"
    assert address_key("nonsense::%x%y::") == "nonsense::%x%y::"
