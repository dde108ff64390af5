"""Fifty people at once: the time that each request takes, and what the server needs for it.

python -m tests.bench.load [--people 50] [--think 5] [--seconds 90] [--store FILE]

Makes a demo (or takes a copy of `--store`, which a demo has made), adds accounts, starts the
real `pledgewatt serve` on it and signs everybody in, all at the same moment and from one
address, as an office does on a Monday morning. Then each person walks the pages of their job
with pauses for reading (exponential about `--think`), sending for each what a browser was seen
to send: the frame, the layout, the list of callbacks and the callbacks that a page fires; what
a browser keeps is fetched once. At the end the server is told to stop in the middle of it all.

Prints a table in Markdown. The client is a process of its own; how late it was at its own
business, and its share of a core, are printed beside the server's: where they are large, the
times are the client's. Nothing waits longer than `PATIENCE`.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import logging
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import numpy as np

from dashboard.rules import CALLBACK
from monitor.store import audit, cases, users
from monitor.store.connection import open_store
from monitor.store.findings import load_findings
from monitor.store.sites import list_sites
from tests.bench.fleet_page import page, results

#: Seconds after which a request counts as failed.
PATIENCE = 60.0

PASSWORD = "nine green bottles"

#: Of fifty: who comes to such a server on a morning. Invented.
SHARES = {"installer": 0.5, "homeowner": 0.4, "warranty": 0.1}

#: The aim of the 95 % of all requests, in ms.
AIM = 500


@dataclass
class World:
    """What the people know of what there is."""

    sites: list[str]
    findings: list[tuple[str, int]]
    claims: list[int]
    accounts: list[tuple[str, str]]


@dataclass
class Log:
    """Requests that were answered: kind and seconds; and what went wrong.

    `told` is when the server was told to stop; what is begun after it is `late` if it fails.
    """

    answered: list[tuple[str, float]] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    open: int = 0
    told: float = float("inf")
    late: int = 0
    seen: set[str] = field(default_factory=set)
    lag: list[float] = field(default_factory=list)


def command() -> list[str]:
    """The program as people start it."""
    script = Path(sys.executable).with_name("pledgewatt")
    return [str(script)] if script.exists() else [sys.executable, "-m", "dashboard.cli"]


def prepare(store: Path, people: int) -> World:
    """Add accounts, and claims for the warranty team to look at."""
    now = datetime.now(UTC)
    accounts = []
    with open_store(store) as opened:
        sites = [site.id for site in list_sites(opened)]
        for n in range(people):
            share = (n + 0.5) / people
            role = "installer"
            if share > SHARES["installer"]:
                inside = share <= SHARES["installer"] + SHARES["homeowner"]
                role = "homeowner" if inside else "warranty"
            home = sites[n % len(sites)]
            added = users.add_user(
                opened,
                email=f"person-{n}@load.example",
                name=f"Person {n}",
                role=role,
                password=PASSWORD,
                sites=[home] if role == "homeowner" else (),
                now=now,
            )
            accounts.append((added.email, role))
            if role == "homeowner" and n % 4 == 0:
                cases.raise_claim(
                    opened, home, user_id=added.user_id, role=role, said="High bills.", now=now
                )
        findings = [(kept.site_id, kept.number) for kept in load_findings(opened)]
        claims = [claim.number for claim in cases.load_claims(opened) if claim.is_open]
    return World(sites, findings, claims, accounts)


class Person:
    """One browser, signed in as one person."""

    def __init__(self, base: str, account: tuple[str, str], world: World, log: Log) -> None:
        self.email, self.role = account
        self.world, self.log = world, log
        self.random = random.Random(self.email)
        limits = httpx.Limits(max_connections=6)  # as many as browsers open to one server
        self.client = httpx.AsyncClient(base_url=base, timeout=PATIENCE, limits=limits)
        self.form = ""

    async def send(self, kind: str, request: Callable[[], Awaitable[httpx.Response]]) -> str:
        """Send one request and note how long it took, to its last byte."""
        begun = time.perf_counter()
        self.log.open += 1
        try:
            answer = await request()
        except httpx.HTTPError as error:
            if begun > self.log.told:
                self.log.late += 1
            else:
                self.log.wrong.append(f"{kind}: {type(error).__name__}")
            return ""
        finally:
            self.log.open -= 1
        took = time.perf_counter() - begun
        text = answer.text
        if answer.status_code not in {200, 204, 303} or "could not be computed" in text:
            self.log.wrong.append(f"{kind}: status {answer.status_code}")
            return ""
        self.log.answered.append((kind, took))
        return text

    async def get(self, kind: str, path: str) -> str:
        return await self.send(kind, lambda: self.client.get(path))

    async def call(self, kind: str, body: dict[str, Any]) -> str:
        headers = {"X-CSRFToken": self.client.cookies.get("_csrf_token") or ""}
        return await self.send(kind, lambda: self.client.post(CALLBACK, json=body, headers=headers))

    async def sign_in(self) -> None:
        """Open the form, send it, and fetch what a browser keeps."""
        form = await self.get("sign-in form", "/login")
        token = re.search(r'name="csrf" value="([^"]+)"', form)
        given = {"csrf": token[1] if token else "", "email": self.email, "password": PASSWORD}
        await self.send("signing in", lambda: self.client.post("/login", data=given))
        frame = await self.get("frame", "/home" if self.role == "homeowner" else "/")
        for kept in re.findall(r'(?:src|href)="(/(?:assets|_dash-comp)[^"]+)"', frame):
            await self.get("kept by the browser", kept)

    async def load(self, kind: str, path: str, search: str = "") -> str:
        """Load a page anew: frame, layout and callbacks, then its content."""
        await self.get("frame", path + search)
        await asyncio.gather(
            self.get("layout, list of callbacks", "/_dash-layout"),
            self.get("layout, list of callbacks", "/_dash-dependencies"),
        )
        return await self.follow(kind, path, search)

    async def follow(self, kind: str, path: str, search: str = "") -> str:
        """Follow a link inside the pages."""
        first = path.startswith("/site/") and path not in self.log.seen
        self.log.seen.add(path)
        found = await self.call(
            f"{kind}, first since it changed" if first else kind, page(path, search)
        )
        if path == "/":
            # The search box reports for duty once it is drawn.
            await self.call("small callbacks", searched("", search))
        return found

    async def walk(self) -> AsyncIterator[None]:
        """The rounds of one's job, one step at a time."""
        while True:
            async for _ in getattr(self, self.role)():
                yield

    async def installer(self) -> AsyncIterator[None]:
        """Fleet, a site and why, its finding, perhaps a note; sometimes agenda or a search."""
        world, draw = self.world, self.random
        await (self.load if draw.random() < 0.3 else self.follow)("fleet", "/")
        yield
        if draw.random() < 0.3:
            text = draw.choice(["al", "la", "row", "in"])
            await self.call("small callbacks", searched(text, ""))
            await self.call("fleet, searched", results(f"?q={text}"))
            yield
        site = draw.choice(world.sites)
        if draw.random() < 0.5 and world.findings:
            await self.follow("agenda", "/agenda")
            yield
            site, number = draw.choice(world.findings)
            path = f"/site/{site}/finding/{number}"
            await self.follow("finding", path)
            yield
            if draw.random() < 0.2:
                await self.call("note taken", noted(path))
                # What was kept of the site is made anew for whoever comes next.
                self.log.seen.discard(f"/site/{site}")
                yield
        await self.follow("site", f"/site/{site}")
        yield
        if draw.random() < 0.6:
            await self.call("site, another period", closer(site, draw.choice(["30", "7", "365"])))
            yield
        if draw.random() < 0.1:
            await self.get("file", f"/download/{site}/daily.csv")
            yield

    async def homeowner(self) -> AsyncIterator[None]:
        """The own page, read at length."""
        await self.get("home", "/home")
        for _ in range(2):
            yield

    async def warranty(self) -> AsyncIterator[None]:
        """The desk, a claim, what leaving hours out would do, and the site itself."""
        await self.follow("desk", "/desk")
        yield
        number = self.random.choice(self.world.claims)
        await self.follow("claim", f"/claim/{number}")
        yield
        await self.call("claim, hours left out", left_out(number))
        yield
        await self.follow("site", f"/site/{self.random.choice(self.world.sites)}")
        yield


def body(output: str, inputs: list[tuple[Any, str, Any]], state: list[Any]) -> dict[str, Any]:
    """A callback's request, as a browser was seen to send it."""
    outs = [one.rsplit(".", 1) for one in output.strip(".").split("...")]
    made = [{"id": a, "property": b} for a, b in outs]
    return {
        "output": output,
        "outputs": made if output.startswith("..") else made[0],
        "inputs": [{"id": a, "property": b, "value": v} for a, b, v in inputs],
        "state": [{"id": a, "property": b, "value": v} for a, b, v in state],
        "changedPropIds": [f"{inputs[0][0]}.{inputs[0][1]}"],
    }


def searched(text: str, search: str) -> dict[str, Any]:
    """The search box has another text."""
    state = [
        ("url", "search", search),
        ("fleet-searched", "data", None),
        ("url", "pathname", "/"),
    ]
    both = "..url.search...fleet-searched.data.."
    return body(both, [("fleet-search", "value", text)], state)


def closer(site: str, period: str) -> dict[str, Any]:
    """Another period of a site."""
    inputs = [("url", "search", f"?period={period}")]
    return body("site-period.children", inputs, [("url", "pathname", f"/site/{site}")])


def noted(path: str) -> dict[str, Any]:
    """A note on a finding."""
    return body(
        "..finding-history.children...finding-note.value..",
        [("finding-note-send", "n_clicks", 1)],
        [("finding-note", "value", "Looked at."), ("url", "pathname", path)],
    )


def left_out(number: int) -> dict[str, Any]:
    """What leaving a week out would do to a claim."""
    begin = datetime.now(UTC).replace(day=1, month=1)
    inputs = [
        ("claim-from", "value", f"{begin:%Y-%m-%d} 00:00"),
        ("claim-to", "value", f"{begin:%Y-%m}-08 00:00"),
        ("claim-reason", "value", ""),
        ("claim-condition", "value", -1),
    ]
    return body("claim-effect.children", inputs, [("claim-number", "data", number)])


class Server:
    """The program in a process of its own, and what the system says of it."""

    def __init__(self, store: Path, notes: Path) -> None:
        self.notes = notes
        self.process = subprocess.Popen(
            [*command(), "serve", "--store", str(store), "--port", "0", "--json"],
            stdout=subprocess.PIPE,
            stderr=notes.open("w"),
            text=True,
        )
        found: list[str] = []
        reader = threading.Thread(target=self._address, args=(found,), daemon=True)
        reader.start()
        reader.join(timeout=60)
        if not found:
            self.process.kill()
            raise SystemExit(f"The server did not start:\n{notes.read_text()}")
        self.address = found[0]

    def _address(self, found: list[str]) -> None:
        assert self.process.stdout is not None
        text = ""
        for line in self.process.stdout:
            text += line
            if text.rstrip().endswith("}"):
                found.append(json.loads(text)["url"])
                return

    @property
    def cpu(self) -> float:
        """Seconds of processor time so far."""
        own = Path(f"/proc/{self.process.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(own[11]) + int(own[12])) / os.sysconf("SC_CLK_TCK")

    @property
    def peak_mb(self) -> float:
        """Largest resident memory so far."""
        text = Path(f"/proc/{self.process.pid}/status").read_text()
        return int(re.search(r"VmHWM:\s+(\d+)", text)[1]) / 1024  # type: ignore[index]


async def strolling(person: Person, think: float, until: float) -> None:
    """One person's walk with pauses, until the time is over."""
    await asyncio.sleep(person.random.uniform(0, think))
    async for _ in person.walk():
        pause = min(person.random.expovariate(1 / think), 10 * think)
        if time.perf_counter() + pause >= until:
            return
        await asyncio.sleep(pause)


async def watching(base: str, log: Log, until: float) -> None:
    """Asks once a second whether the server is well, and how late this process is."""
    async with httpx.AsyncClient(base_url=base, timeout=PATIENCE) as client:
        while time.perf_counter() < until:
            begun = time.perf_counter()
            await client.get("/health")
            log.answered.append(("health", time.perf_counter() - begun))
            for _ in range(20):
                begun = time.perf_counter()
                await asyncio.sleep(0.05)
                log.lag.append(time.perf_counter() - begun - 0.05)


@dataclass
class Measured:
    """One stretch of a run."""

    name: str
    log: Log
    seconds: float
    server_cpu: float
    client_cpu: float


async def stretch(
    name: str,
    server: Server,
    log: Log,
    walks: Callable[[float], list[Awaitable[None]]],
    until: float,
) -> Measured:
    """Let people walk, and measure meanwhile."""
    begun, cpu, own = time.perf_counter(), server.cpu, time.process_time()
    watch = asyncio.create_task(watching(server.address, log, begun + 10 * PATIENCE))
    await asyncio.wait_for(asyncio.gather(*walks(begun + until)), until + 4 * PATIENCE)
    watch.cancel()
    took = time.perf_counter() - begun
    return Measured(name, log, took, server.cpu - cpu, time.process_time() - own)


async def stopping(server: Server, people: list[Person], think: float) -> str:
    """Tell the server to stop while people walk, and say what became of their requests."""
    log = people[0].log
    until = time.perf_counter() + 600
    walks = [asyncio.create_task(strolling(one, think, until)) for one in people]
    await asyncio.sleep(4 * think)
    while log.open < 4 and len(log.answered) < 5000:
        await asyncio.sleep(0.001)
    begun, flying, done = time.perf_counter(), log.open, len(log.answered)
    log.told, before = begun, len(log.wrong)
    server.process.send_signal(signal.SIGTERM)
    code = await asyncio.to_thread(server.process.wait, PATIENCE)
    took = time.perf_counter() - begun
    for walk in walks:
        walk.cancel()
    await asyncio.gather(*walks, return_exceptions=True)
    cut = log.wrong[before:]
    return (
        f"Stopped by SIGTERM with {flying} requests under way: {len(log.answered) - done} answered "
        f"in full after the signal, {len(cut)} cut off{f' ({cut[0]} …)' if cut else ''}, "
        f"{log.late} that came later found nobody; the process ended after {took:.1f} s "
        f"with code {code}."
    )


def told(run: Measured, people: int) -> str:
    """A stretch as a table."""
    kinds: dict[str, list[float]] = {}
    for kind, took in run.log.answered:
        kinds.setdefault(kind, []).append(took)
    health = kinds.pop("health", [0.0])
    lines = [f"### {run.name}", "", "| request | number | median | 95 % | most |"]
    lines.append("| --- | --- | --- | --- | --- |")
    for kind in sorted(kinds, key=lambda one: -len(kinds[one])):
        lines.append(_line(kind, kinds[kind]))
    everything = [took for times in kinds.values() for took in times]
    lines += [_line("**all**", everything), _line("health, asked once a second", health), ""]
    lines.append(
        f"{people} people, {run.seconds:.0f} s, {len(everything) / run.seconds:.1f} requests a "
        f"second, {len(run.log.wrong)} failed. Server: {run.server_cpu / run.seconds:.2f} cores; "
        f"client: {run.client_cpu / run.seconds:.2f} cores, late by "
        f"{1000 * np.quantile(run.log.lag or [0.0], 0.95):.0f} ms at the 95 %."
    )
    if run.log.wrong:
        lines.append(f"Failed: {sorted(set(run.log.wrong))[:8]}")
    return "\n".join(lines) + "\n"


def _line(name: str, seconds: list[float]) -> str:
    ms = 1000 * np.quantile(seconds, [0.5, 0.95, 1.0])
    return f"| {name} | {len(seconds)} | " + " | ".join(f"{v:.0f}" for v in ms) + " |"


async def measure(server: Server, world: World, chosen: argparse.Namespace) -> bool:
    """All stretches one after the other; true where the first one met the aim."""
    out = sys.stdout
    log = Log()
    people = [Person(server.address, one, world, log) for one in world.accounts]
    count = len(people)
    run = await stretch("Everybody signs in at the same moment", server, log,
                        lambda _: [one.sign_in() for one in people], 60)  # fmt: skip
    out.write(told(run, count) + "\n")
    met = not log.wrong
    for n, think in enumerate(chosen.think):
        log = Log(seen=log.seen)
        for one in people:
            one.log = log
        run = await stretch(
            f"Pauses of {think:g} s on average", server, log,
            lambda until, think=think: [strolling(one, think, until) for one in people],
            chosen.seconds,
        )  # fmt: skip
        out.write(told(run, count) + "\n")
        every = [took for kind, took in log.answered if kind != "health"]
        # The aim is for people who read; what comes after shows how it goes on from there.
        met = met and not log.wrong and (n > 0 or 1000 * np.quantile(every, 0.95) < AIM)
    out.write(f"Largest resident memory of the server: {server.peak_mb:.0f} MB\n\n")
    log = Log()
    for one in people:
        one.log = log
    out.write(await stopping(server, people, 1.0) + "\n")
    for one in people:
        await one.client.aclose()
    return met


def main() -> None:
    """Print the tables; ends with 1 where a request failed or the first pauses miss the aim."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--people", type=int, default=50)
    parser.add_argument("--think", type=float, nargs="+", default=[5.0, 1.0], help="seconds")
    parser.add_argument("--seconds", type=float, default=90, help="of each stretch")
    parser.add_argument("--store", type=Path, default=None, help="of a demo; it is copied")
    chosen = parser.parse_args()
    logging.getLogger("httpx").setLevel(logging.WARNING)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        store = folder / "load.duckdb"
        if chosen.store is None:
            subprocess.run(
                [*command(), "demo", "--dir", str(folder / "demo"), "--store", str(store),
                 "--no-serve", "--json"],
                check=True, stdout=subprocess.DEVNULL, timeout=1800,
            )  # fmt: skip
        else:
            shutil.copy(chosen.store, store)
        world = prepare(store, chosen.people)
        server = Server(store, folder / "notes.txt")
        try:
            met = asyncio.run(measure(server, world, chosen))
        finally:
            server.process.kill()
            server.process.wait(10)
            trouble = [
                one for one in server.notes.read_text().splitlines() if "queue depth" not in one
            ]
            sys.stdout.write("\n".join(["", *trouble[-20:]]).rstrip() + "\n")
        with open_store(store) as opened:
            check = audit.verify(opened)
        sys.stdout.write(f"The log of who looked is whole, {check.rows} rows.\n"
                         if not check.problems else f"{check.problems[:3]}\n")  # fmt: skip
    sys.exit(0 if met else 1)


if __name__ == "__main__":
    main()
