"""Which addresses this machine has on networks near it. Nothing is sent to find out."""

from __future__ import annotations

import ipaddress
import socket
import struct
import sys

#: Far addresses, one for each kind of network: connecting a datagram socket only asks the routing table.
_FAR = ("192.0.2.1", "10.255.0.1", "172.31.0.1", "192.168.255.1")
_SIOCGIFADDR = {"linux": 0x8915, "darwin": 0xC0206921}


def is_near(address: str) -> bool:
    """Tell whether an IPv4 address belongs to a network near by: not the Internet, not this machine alone."""
    try:
        ip = ipaddress.IPv4Address(address)
    except ValueError:
        return False
    return not (ip.is_global or ip.is_loopback or ip.is_multicast or ip.is_unspecified or ip.is_reserved)


def near_addresses() -> tuple[str, ...]:
    """Return this machine's addresses on private networks, the one it usually sends from first."""
    found = [*_routed(), *_of_interfaces()]
    near = [a for a in dict.fromkeys(found) if is_near(a)]
    # Link-local addresses are a last resort: they mean that nobody gave out a better one.
    return tuple(sorted(near, key=lambda a: a.startswith("169.254.")))


def _routed() -> list[str]:
    found = []
    for far in _FAR:
        try:
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
                probe.connect((far, 9))
                found.append(str(probe.getsockname()[0]))
        except OSError:
            continue
    return found


def _of_interfaces() -> list[str]:
    """Return the address of every interface, where the system tells it without another program."""
    ask = _SIOCGIFADDR.get(sys.platform)
    if ask is None:
        return []
    import fcntl

    found = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        for _, name in socket.if_nameindex():
            request = struct.pack("256s", name[:15].encode())
            try:
                answer = fcntl.ioctl(probe.fileno(), ask, request)
            except OSError:
                continue
            found.append(socket.inet_ntoa(answer[20:24]))
    return found
