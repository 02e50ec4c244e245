"""Where the service listens, and whether it may."""

from __future__ import annotations

import ipaddress
import socket

from diagnose.errors import SettingError


def is_loopback(host: str) -> bool:
    """Whether only this computer can reach an address; of a name only `localhost` is known."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def check_address(host: str, *, keys: bool) -> None:
    """Let an address pass that only this computer reaches, or any where keys are asked for.

    Raises:
        SettingError: others could reach it, and no key would be asked of them.
    """
    if not is_loopback(host) and not keys:
        raise SettingError(
            "--host",
            f"others can reach {host}, and there are no keys yet that they would have to show; "
            "make one with `diagnose keys add`, or listen on 127.0.0.1",
        )


def listener_on(host: str, port: int) -> socket.socket:
    """A listening socket whose answers are not held back.

    Without `TCP_NODELAY` the second half of each answer on a kept connection waits for the other
    side's acknowledgement, 40 ms; what is accepted has what is set here.

    Raises:
        OSError: the address is taken, or not one of this computer.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.create_server((host, port), family=family, backlog=256)
    listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return listener
