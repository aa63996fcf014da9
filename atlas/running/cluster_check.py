"""Looks over a cluster before it gets work: where it is, that someone answers, that its workers are as we are.

Versions are asked for by Dask's own means first: what another Python would make of our pickled words is unknown.
"""

from __future__ import annotations

import contextlib
import logging
import warnings
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from atlas.errors import RunningError
from atlas.running import cluster_worker

if TYPE_CHECKING:
    from distributed import Client

CONNECT_S = 20.0  # for the scheduler to answer
FIRST_WORKER_S = 30.0  # for a worker to be there
# What bytes on a page and on paper come from, beside our own code.
RESTS_ON = (
    "atlas", "numpy", "numba", "shapely", "rasterio", "pyproj", "contourpy", "PIL", "jinja2", "babel", "typst",
    "pikepdf", "folium",
)  # fmt: skip


def check_address(address: str) -> None:
    """Raise RunningError unless an address is one of a scheduler: tcp://host:port."""
    try:
        parts = urlsplit(address)
        port = parts.port
    except ValueError:
        parts, port = None, None
    whole = parts is not None and parts.scheme == "tcp" and parts.hostname and port
    if not whole or parts is None or parts.username or parts.path or parts.query or parts.fragment:
        raise RunningError(f"'{address}' is no address of a cluster; write it as tcp://host:port (--cluster).")


@contextlib.contextmanager
def connected(address: str) -> Iterator[Client]:
    """A client of the scheduler there. Raises RunningError where there is none, or no worker comes.

    Dask's own words of warning are kept off the terminal meanwhile: what matters is said in ours.
    """
    distributed = _distributed()
    with _quiet():
        try:
            client = distributed.Client(address, timeout=CONNECT_S, set_as_default=False)
        except (OSError, TimeoutError) as e:
            raise RunningError(
                f"{address}: no scheduler answers there within {CONNECT_S:.0f} s; is it running?"
            ) from e
        try:
            _wait_for_one(client, address)
            yield client
        finally:
            client.close(timeout=2)


def _distributed() -> Any:
    try:
        import distributed
    except ImportError as e:
        raise RunningError(
            "--cluster needs Dask, which is not installed; install field-atlas[cluster], or build without it."
        ) from e
    return distributed


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    loggers = [logging.getLogger(name) for name in ("distributed", "tornado.application")]
    before = [logger.level for logger in loggers]
    for logger in loggers:
        logger.setLevel(logging.CRITICAL + 1)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        for logger, level in zip(loggers, before, strict=True):
            logger.setLevel(level)


def _wait_for_one(client: Client, address: str) -> None:
    try:
        client.wait_for_workers(1, timeout=FIRST_WORKER_S)
    except TimeoutError as e:
        raise RunningError(
            f"{address}: the scheduler has no workers, and none came within {FIRST_WORKER_S:.0f} s; start some."
        ) from e


def check_alike(client: Client, path: str) -> dict[str, str]:
    """Raise RunningError unless scheduler and workers are as we are; what each worker is to find, too."""
    versions = client.get_versions(packages=list(RESTS_ON))
    ours = versions["client"]
    _check_versions("the scheduler", ours, versions["scheduler"], ("atlas",))
    for name, theirs in versions["workers"].items():
        _check_versions(f"worker {name}", ours, theirs, RESTS_ON)
    expected = cluster_worker.facts(path)
    for name, found in client.run(cluster_worker.facts, path, on_error="ignore").items():
        if (difference := cluster_worker.differs(expected, found, path)) is not None:
            raise RunningError(f"Worker {name} {difference}")
    return expected


def _check_versions(who: str, ours: Any, theirs: Any, packages: tuple[str, ...]) -> None:
    for name in ("python", *packages):
        here, there = _version(ours, name), _version(theirs, name)
        if here == there:
            continue
        called = {"python": "Python", "atlas": "field-atlas"}.get(name, name)
        if there is None:
            raise RunningError(f"On the cluster {who} has no {called}; install the same field-atlas everywhere.")
        raise RunningError(
            f"On the cluster {who} has {called} {there}, this computer {here}; install the same everywhere."
        )


def _version(told: Any, name: str) -> str | None:
    found = told["packages"].get(name)
    return ".".join(str(found).split(".")[:2]) if name == "python" and found else found
