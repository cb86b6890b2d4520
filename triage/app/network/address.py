"""Under which address of its own this machine is found in the home network."""

from __future__ import annotations

import ipaddress
import socket

import psutil

from triage.errors import TriageError


def home_address(wanted: str = "") -> tuple[str, tuple[str, ...]]:
    """An address of this machine in a network of its own, and the others that could be named instead; IPv4 goes first.

    Parameters
    ----------
    wanted
        One of them, or empty for the first.

    Raises
    ------
    TriageError
        There is none, or `wanted` is no such address. An address that the whole internet reaches is none.
    """
    own = own_addresses()
    usable = sorted((one for one in own if _is_of_a_home(one)), key=lambda one: ":" in one)
    if not usable:
        found = f"its addresses are {', '.join(own)}" if own else "it has no address at all"
        raise TriageError(
            f"--network: this machine is in no home network ({found}); needed: an address that routers give out at home, such as "
            "192.168.1.20; join the Wi-Fi or plug in the cable, then start again"
        )
    chosen = _plain(wanted) if wanted else usable[0]
    if chosen not in usable:
        needed = f"{' or '.join(usable)}, or no address at all"
        raise TriageError(f"--network {wanted}: not an address of this machine in a home network; needed: {needed}")
    return chosen, tuple(one for one in usable if one != chosen)


def own_addresses() -> list[str]:
    """Every address of this machine, IPv4 and IPv6, on interfaces that are up."""
    up = {name for name, state in psutil.net_if_stats().items() if state.isup}
    kinds = (socket.AF_INET, socket.AF_INET6)
    entries = [one for name, all in psutil.net_if_addrs().items() if name in up for one in all]
    return [_plain(one.address) for one in entries if one.family in kinds]


def _is_of_a_home(text: str) -> bool:
    one = ipaddress.ip_address(text)
    return not (one.is_global or one.is_loopback or one.is_link_local or one.is_multicast or one.is_unspecified)


def _plain(text: str) -> str:
    """An address in its usual spelling, without the interface behind it; other text as it is."""
    try:
        return str(ipaddress.ip_address(text.strip("[]").partition("%")[0]))
    except ValueError:
        return text
