"""No file, however spoilt, gives a traceback, hangs, fills memory or costs its good rows.

`python -m tests.fuzz.run` does the same for as long as it is told to.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from math import inf
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.normal_form import Extract
from ingest.registry import adapter
from tests.fuzz.bad_workers import dies, hangs, waits
from tests.fuzz.mutate import MUTATIONS, spoil
from tests.fuzz.run import Reader, case_of, tallies
from tests.fuzz.samples import FORMATS, Sample, samples
from tests.fuzz.worker import faults_of, frame_of, sentence_fault

SEEDS = range(12)
BY_LINE = [one for form in FORMATS for one in samples(form) if one.by_line]


@pytest.fixture(scope="module")
def reader(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Reader]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("POLARS_MAX_THREADS", "1")
        opened = Reader(tmp_path_factory.mktemp("fuzz"), store=True)
        yield opened
        opened.close()


def read(sample: Sample, content: bytes, folder: Path) -> Extract:
    path = folder / sample.file
    path.write_bytes(sample.pack(content))
    return adapter(sample.format).read(path, sample.profile)


@pytest.mark.xdist_group("fuzz")
@pytest.mark.parametrize("form", FORMATS)
def test_a_spoilt_file_is_read_or_refused_in_a_sentence(form: str, reader: Reader) -> None:
    found = tallies(reader, (form,), iter(SEEDS), inf)[form]
    assert [(case.seed, case.done, said) for case, said in found.faults] == []
    assert found.outcomes.total() == len(SEEDS)


@pytest.mark.parametrize("form", FORMATS)
def test_what_the_fuzz_spoils_is_sound_at_first(form: str, tmp_path: Path) -> None:
    for sample in samples(form):
        found = read(sample, sample.content, tmp_path)
        assert faults_of(found) == []
        assert found.readings.height > found.rejects.height


@pytest.mark.parametrize("sample", BY_LINE, ids=lambda one: f"{one.format}: {one.name}")
@settings(max_examples=10)
@given(data=st.data())
def test_a_line_of_rubbish_costs_no_good_reading(
    sample: Sample, data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    lines = sample.content.splitlines()
    place = data.draw(st.integers(1, len(lines)))
    rubbish = data.draw(
        st.text(st.characters(exclude_characters="\r\n", exclude_categories=("Cs",)))
        | st.sampled_from(['"', "{", "[", "]", "}", '{"a":', "\\", "#", ",", ";", "-- end --"])
    )
    folder = tmp_path_factory.getbasetemp()
    sound = frame_of(read(sample, sample.content, folder))
    spoilt = b"\n".join([*lines[:place], rubbish.encode(), *lines[place:], b""])
    kept = frame_of(read(sample, spoilt, folder))
    lost = sound.join(kept, on=["label", "t_utc", "value"], how="anti")
    assert lost.is_empty()


def test_a_seed_gives_the_same_case_again_and_every_way_of_spoiling_comes_up() -> None:
    assert case_of("jsonl", 5) == case_of("jsonl", 5)
    done = {part for seed in range(400) for part in spoil(b"1;2\n", b"3", seed)[1].split("+")}
    assert done == {mutation.__name__ for mutation in MUTATIONS}


@pytest.mark.parametrize(
    ("work", "limit_s", "said"),
    [
        (dies, 10.0, "the process died (3)"),
        (hangs, 0.2, "not done in 0.2 s"),
        (waits, 0.05, "not done in 0.05 s"),
    ],
)
def test_a_process_that_crashes_or_hangs_is_a_fault_and_gives_way_to_a_new_one(
    work: Callable[..., None], limit_s: float, said: str, tmp_path: Path
) -> None:
    reader = Reader(tmp_path, store=False, limit_s=limit_s, work=work)
    answers = [reader.read(case_of("jsonl", seed)) for seed in range(2)]
    reader.close()
    assert [(one.outcome, one.said) for one in answers] == [("fault", said)] * 2


@pytest.mark.parametrize(
    ("spoilt", "fault"),
    [
        ({"value": [1.0, float("nan")]}, "a value is not finite"),
        ({"line": [0, 1]}, "a line before the first"),
        ({"duration_s": [None, 900]}, "a duration does not go with the kind"),
        ({"target": [0, 9]}, "a reading of no target"),
        ({"value": [1.0, None]}, "value is null"),
    ],
)
def test_what_no_adapter_may_give_is_seen(
    spoilt: dict[str, list[float | None]], fault: str, tmp_path: Path
) -> None:
    sample = samples("jsonl")[0]
    found = read(sample, sample.content, tmp_path)
    two = found.readings.head(2)
    changed = {
        name: pl.Series(name, values, dtype=two.schema[name]) for name, values in spoilt.items()
    }
    extract = Extract(found.targets, two.with_columns(**changed), found.rejects, found.lines)
    assert fault in faults_of(extract)


@pytest.mark.parametrize("message", ["", "Traceback", "no end\x1b[0m.", "x" * 5_000 + "."])
def test_what_is_no_sentence_is_seen(message: str) -> None:
    assert sentence_fault(message) is not None
    assert sentence_fault("The file is empty. Export it again.") is None
