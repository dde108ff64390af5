"""Fifty people at the pages at once: `python -m tests.bench.load`.

Writes the demo fleet, serves it by the usual command in a process of its own, signs fifty
people in (installers, the warranty team and households) and lets each open a page every few
seconds, as people who read do. Prints how long the answers took, by kind of page.
"""

from __future__ import annotations

import argparse
import random
import subprocess
import sys
import tempfile
import threading
import time
from collections import defaultdict
from datetime import UTC, datetime
from pathlib import Path

import httpx
import numpy as np

from monitor.store import users
from monitor.store.connection import open_store
from monitor.store.sites import list_sites

PASSWORD = "fifty people at once"
#: Seconds between two pages of one person: evenly between these.
READS = (3.0, 9.0)


def main() -> None:
    """Run the load and print its figures."""
    ask = argparse.ArgumentParser()
    ask.add_argument("--store", type=Path, help="a store that is there already")
    ask.add_argument("--people", type=int, default=50)
    ask.add_argument("--seconds", type=float, default=60.0)
    given = ask.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        store = given.store or Path(folder) / "load.duckdb"
        if given.store is None:
            subprocess.run(
                [
                    sys.executable, "-m", "dashboard.cli", "demo", "--dir", f"{folder}/demo",
                    "--store", str(store), "--no-serve",
                ],
                check=True,
            )  # fmt: skip
        people = _people(store, given.people)
        command = [sys.executable, "-m", "dashboard.cli", "serve", "--store", str(store),
                   "--port", "0"]  # fmt: skip
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
            assert server.stdout is not None
            try:
                address = _address(server.stdout)
                _wait_for_refresh(address)
                took = _load(address, people, given.seconds)
            finally:
                server.terminate()
    for kind, seconds in sorted(took.items()):
        ms = np.array(seconds) * 1000.0
        sys.stdout.write(
            f"{kind:22} {len(ms):5} answers  median {np.median(ms):6.0f} ms  "
            f"95 % {np.percentile(ms, 95):6.0f} ms  most {ms.max():6.0f} ms\n"
        )


def _people(store: Path, count: int) -> list[tuple[str, str, list[str]]]:
    """E-mail, role and sites of each person; three of five live in a home."""
    now = datetime.now(UTC)
    found = []
    with open_store(store) as opened:
        sites = [site.id for site in list_sites(opened)]
        for n in range(count):
            role = ("homeowner", "installer", "homeowner", "warranty", "homeowner")[n % 5]
            own = [sites[n % len(sites)]] if role == "homeowner" else []
            email = f"load-{now:%H%M%S}-{n}@example.org"
            users.add_user(
                opened, email=email, name=f"Reader {n}", role=role, password=PASSWORD, sites=own,
                now=now,
            )  # fmt: skip
            found.append((email, role, own or sites))
    return found


def _address(lines: object) -> str:
    for line in lines:  # type: ignore[attr-defined]
        if "http://" in line:
            return "http://" + line.split("http://")[1].split("/")[0]
    message = "the server did not say its address"
    raise SystemExit(message)


def _wait_for_refresh(address: str) -> None:
    """The refresh at the start is not what is measured."""
    quiet = 0
    while quiet < 3:
        begun = time.perf_counter()
        httpx.get(f"{address}/health")
        quiet = quiet + 1 if time.perf_counter() - begun < 0.02 else 0
        time.sleep(1.0)


def _load(
    address: str, people: list[tuple[str, str, list[str]]], seconds: float
) -> dict[str, list[float]]:
    took: dict[str, list[float]] = defaultdict(list)
    lock = threading.Lock()
    begin = threading.Barrier(len(people))
    failed: list[str] = []

    def person(number: int, email: str, role: str, sites: list[str]) -> None:
        rng = random.Random(number)
        with httpx.Client(base_url=address, timeout=30.0, follow_redirects=False) as client:
            _sign_in(client, email)
            begin.wait()
            until = time.monotonic() + seconds
            time.sleep(rng.uniform(0.0, READS[1]))
            while time.monotonic() < until:
                kind, path = _next(rng, role, sites)
                begun = time.perf_counter()
                answer = _open(client, path, scripted=role != "homeowner")
                with lock:
                    took[kind].append(time.perf_counter() - begun)
                    took["all pages"].append(time.perf_counter() - begun)
                    if answer.status_code != 200:
                        failed.append(f"{role} {path}: {answer.status_code}")
                time.sleep(rng.uniform(*READS))

    threads = [threading.Thread(target=person, args=(n, *one)) for n, one in enumerate(people)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if failed:
        message = f"{len(failed)} answers failed, such as {failed[0]}"
        raise SystemExit(message)
    return took


def _sign_in(client: httpx.Client, email: str) -> None:
    page = client.get("/login").text
    token = page.split('name="csrf" value="')[1].split('"')[0]
    form = {"csrf": token, "email": email, "password": PASSWORD}
    answer = client.post("/login", data=form)
    assert answer.status_code == 303, answer.text


def _next(rng: random.Random, role: str, sites: list[str]) -> tuple[str, str]:
    if role == "homeowner":
        return "own home", "/home"
    if role == "warranty" and rng.random() < 0.5:
        return "warranty desk", "/desk"
    if rng.random() < 0.4:
        return "fleet", "/"
    return "site", f"/site/{rng.choice(sites)}"


def _open(client: httpx.Client, path: str, *, scripted: bool) -> httpx.Response:
    """A page, and the callback that fills it, as a browser asks for them."""
    answer = client.get(path)
    if not scripted or answer.status_code != 200:
        return answer
    token = client.cookies.get("_csrf_token") or ""
    body = {
        "output": "..page.children...title.data...notice.children..",
        "outputs": [
            {"id": "page", "property": "children"},
            {"id": "title", "property": "data"},
            {"id": "notice", "property": "children"},
        ],
        "inputs": [{"id": "url", "property": "pathname", "value": path}],
        "state": [{"id": "url", "property": "search", "value": ""}],
        "changedPropIds": ["url.pathname"],
    }
    return client.post("/_dash-update-component", json=body, headers={"X-CSRFToken": token})


if __name__ == "__main__":
    main()
