"""Whose requests are served, and what makes a reset deliberate."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.datastructures import Headers

from dashboard.access import KEEP_PRESSED_S, PRESS_EXPIRES_S, Presses, host_is_ours, int_or_zero, same_origin


@pytest.mark.parametrize(
    "host", ["127.0.0.1:8765", "127.0.0.1", "localhost:80", "[::1]:8765", "192.168.1.7:8765", "shop.local"]
)
def test_addresses_and_own_names_are_ours(host: str) -> None:
    assert host_is_ours(host, {"shop.local"})


@pytest.mark.parametrize(
    "host",
    [
        *("", " ", "evil.example", "evil.example:8765", "127.0.0.1.evil.example", "localhost.evil.example"),
        *("[::1", "a@b", "127.0.0.1:x@evil.example", "evil\\@127.0.0.1", "127.0.0.1/evil", "0:8765", "127.1"),
    ],
)
def test_a_foreign_name_is_not_ours(host: str) -> None:
    assert not host_is_ours(host, {"shop.local"})


@given(st.text())
def test_no_host_header_breaks_the_check(host: str) -> None:
    assert host_is_ours(host, ()) in (True, False)


@pytest.mark.parametrize(
    ("origin", "same"),
    [
        ("http://127.0.0.1:8765", True),
        ("HTTP://127.0.0.1:8765", True),
        ("https://127.0.0.1:8765", False),
        ("http://127.0.0.1:8766", False),
        ("http://127.0.0.1", False),
        ("http://evil.example", False),
        ("null", False),
        ("", False),
    ],
)
def test_same_origin_is_the_very_host_asked(origin: str, same: bool) -> None:
    assert same_origin(Headers({"host": "127.0.0.1:8765", "origin": origin}), "http") == same


@given(st.text())
def test_any_length_header_gives_a_number(text: str) -> None:
    assert int_or_zero(text) >= 0


class Clock:
    now = 100.0

    def __call__(self) -> float:
        return self.now


@pytest.mark.parametrize(
    ("kept", "said"),
    [
        (0.0, "keep it pressed for 1.5 s"),
        (KEEP_PRESSED_S - 0.01, "keep it pressed"),
        (KEEP_PRESSED_S, None),
        (PRESS_EXPIRES_S, None),
        (PRESS_EXPIRES_S + 0.1, "not known any more"),
    ],
)
def test_a_press_counts_when_it_was_kept_and_is_not_stale(kept: float, said: str | None) -> None:
    clock = Clock()
    presses = Presses(clock)
    press = presses.begin(hold_id=4)
    clock.now += kept
    refusal = presses.end(press, 4)
    assert refusal is None if said is None else said in str(refusal)


def test_a_press_counts_once_and_for_its_own_hold() -> None:
    clock = Clock()
    presses = Presses(clock)
    one, other = presses.begin(4), presses.begin(4)
    clock.now += 2
    assert presses.end(one, 5) is not None
    assert presses.end(one, 4) is not None  # used up by the wrong try
    assert presses.end(other, 4) is None
    assert presses.end(other, 4) is not None
    assert presses.end("guessed", 4) is not None


def test_presses_that_are_never_ended_do_not_pile_up() -> None:
    presses = Presses(Clock())
    names = [presses.begin(1) for _ in range(1000)]
    assert len(presses._open) <= 32
    assert len(set(names)) == 1000
