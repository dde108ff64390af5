"""Reads spoilt files of every format, each in a process that may be killed.

`python -m tests.fuzz.run --seconds 600 [--format mbus] [--seed 1] [--keep FOLDER]`

A case fails if it ends in anything but an extract or an error with a sentence, keeps the
processor busy for longer than `TIME_LIMIT_S`, or takes more memory than it may.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import count
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from time import monotonic

from tests.fuzz.mutate import spoil, spoil_packed
from tests.fuzz.samples import FORMATS, Sample, samples
from tests.fuzz.worker import Answer, serve

TIME_LIMIT_S = 10.0
#: A case may wait so many times its limit for the processor.
PATIENCE = 12
#: What a process reserves grows with what it has read, so that it gives way to a new one.
CASES_A_PROCESS = 400


@dataclass(frozen=True)
class Case:
    """One spoilt file; the seed and the format give it again."""

    form: str
    seed: int
    index: int
    done: str
    content: bytes

    @property
    def sample(self) -> Sample:
        """The sound file that it comes from."""
        return samples(self.form)[self.index]


def case_of(form: str, seed: int) -> Case:
    """Give the case of a seed."""
    random = Random(seed)
    index = random.randrange(len(samples(form)))
    sample = samples(form)[index]
    stranger = random.choice(FORMATS) if random.randrange(5) == 0 else form
    other = random.choice(samples(stranger)).content
    spoilt, done = spoil(sample.content, other, seed)
    return Case(form, seed, index, done, spoil_packed(sample.pack(spoilt), seed))


@dataclass
class Tally:
    """What became of the cases of one format."""

    outcomes: Counter[str] = field(default_factory=Counter)
    slowest_s: float = 0.0
    faults: list[tuple[Case, str]] = field(default_factory=list)

    def add(self, case: Case, answer: Answer) -> None:
        """Count a case."""
        self.outcomes[answer.outcome] += 1
        self.slowest_s = max(self.slowest_s, answer.seconds)
        if answer.outcome == "fault":
            self.faults.append((case, answer.said))


class Reader:
    """A process that reads cases, begun anew whenever one ends or hangs.

    Parameters
    ----------
    folder
        Where the spoilt files go.
    limit_s
        Longest time of the processor that a case may take.
    work
        What the process does; it answers as `tests.fuzz.worker.serve` does.
    """

    def __init__(
        self,
        folder: Path,
        *,
        store: bool,
        limit_s: float = TIME_LIMIT_S,
        work: Callable[..., None] = serve,
    ) -> None:
        self.folder, self.store, self.limit_s, self.work = folder, store, limit_s, work
        self._process: BaseProcess | None = None
        self._pipe: Connection | None = None
        self._cases = 0

    def read(self, case: Case) -> Answer:
        """Give what became of a case."""
        if self._cases >= CASES_A_PROCESS:
            self.close()
        pipe = self._begin()
        self._cases += 1
        path = self.folder / case.sample.file
        path.write_bytes(case.content)
        begin, busy = monotonic(), self._busy_s()
        pipe.send((case.form, case.index, str(path)))
        while not pipe.poll(0.25):
            # Time of the processor, so that a busy machine is no hang; a sleep without end is.
            took, waited = self._busy_s() - busy, monotonic() - begin
            if took > self.limit_s or waited > PATIENCE * self.limit_s:
                self.close()
                return Answer("fault", f"not done in {self.limit_s} s", waited)
        try:
            answer: Answer = pipe.recv()
        except (EOFError, OSError):
            code = self._ended()
            return Answer("fault", f"the process died ({code})", monotonic() - begin)
        return answer

    def _begin(self) -> Connection:
        if self._pipe is not None:
            return self._pipe
        context = multiprocessing.get_context("spawn")
        here, there = context.Pipe()
        self._process = context.Process(
            target=self.work, args=(there,), kwargs={"store": self.store}, daemon=True
        )
        self._process.start()
        there.close()
        here.recv()
        self._pipe = here
        return here

    def _busy_s(self) -> float:
        """Time that the processor has spent on the process (proc(5): utime and stime)."""
        process = self._process
        try:
            stat = Path(f"/proc/{process.pid if process else None}/stat").read_text()
        except OSError:
            return 0.0
        fields = stat.rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def _ended(self) -> int | None:
        process = self._process
        if process is not None:
            process.join(TIME_LIMIT_S)
        code = None if process is None else process.exitcode
        self.close()
        return code

    def close(self) -> None:
        """End the process."""
        if self._pipe is not None:
            self._pipe.close()
        if self._process is not None:
            self._process.kill()
            self._process.join()
        self._pipe = self._process = None
        self._cases = 0


def tallies(
    reader: Reader, forms: tuple[str, ...], seeds: Iterator[int], until: float
) -> dict[str, Tally]:
    """Read cases of each format in turn until the seeds or the time end."""
    found = {form: Tally() for form in forms}
    for seed in seeds:
        for form in forms:
            if monotonic() > until:
                return found
            case = case_of(form, seed)
            found[form].add(case, reader.read(case))
    return found


def main() -> int:
    """Read cases for a while, and print what became of them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--format", choices=FORMATS)
    parser.add_argument("--seed", type=int, default=0, help="first seed")
    parser.add_argument("--keep", type=Path, help="folder for the files that fail")
    parser.add_argument("--no-store", action="store_true", help="read only, without the store")
    given = parser.parse_args()
    os.environ.setdefault("POLARS_MAX_THREADS", "1")
    forms = (given.format,) if given.format else FORMATS
    with TemporaryDirectory() as folder:
        reader = Reader(Path(folder), store=not given.no_store)
        try:
            found = tallies(reader, forms, count(given.seed), monotonic() + given.seconds)
        finally:
            reader.close()
    print(
        f"{'format':14}{'cases':>8}{'refused':>9}{'rejects':>9}{'clean':>7}{'faults':>8}  slowest"
    )
    for form, tally in found.items():
        o = tally.outcomes
        print(
            f"{form:14}{o.total():8}{o['refused']:9}{o['rejects']:9}{o['clean']:7}"
            f"{o['fault']:8}  {tally.slowest_s:6.2f} s"
        )
    for form, tally in found.items():
        for case, said in tally.faults:
            print(f"\n{form}, seed {case.seed}, '{case.sample.name}', {case.done}:\n{said}")
            if given.keep:
                given.keep.mkdir(parents=True, exist_ok=True)
                kept = given.keep / f"{form}-{case.seed}-{case.sample.file}"
                kept.write_bytes(case.content)
    return 1 if any(tally.faults for tally in found.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
