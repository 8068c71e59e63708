"""Plain requests to a station: new connections, no certificates to load (which takes longer than most answers)."""

from contextlib import AbstractContextManager
from typing import Any

import httpx

from tests.ingest.daemon_tools import PATIENCE_S


def get(url: str, **how: Any) -> httpx.Response:
    return httpx.get(url, verify=False, timeout=PATIENCE_S, **how)


def post(url: str, **how: Any) -> httpx.Response:
    return httpx.post(url, verify=False, timeout=PATIENCE_S, **how)


def request(method: str, url: str, **how: Any) -> httpx.Response:
    return httpx.request(method, url, verify=False, timeout=PATIENCE_S, **how)


def stream(url: str, **how: Any) -> AbstractContextManager[httpx.Response]:
    return httpx.stream("GET", url, verify=False, timeout=PATIENCE_S, **how)


def client(url: str, **how: Any) -> httpx.Client:
    return httpx.Client(base_url=url, verify=False, timeout=PATIENCE_S, **how)
