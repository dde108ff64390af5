"""One process, its refresh and its end."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import urllib.request

import pytest

from dashboard.serve import refresh_all, serve
from monitor.errors import PledgewattError
from monitor.store import derived
from monitor.store.connection import open_store
from monitor.store.sites import save_site

PROGRAM = """
import sys
from pathlib import Path
from dashboard.serve import serve
from monitor.store.connection import open_store
with open_store(Path(sys.argv[1]), create=True) as store:
    serve(store, port=0, on_ready=lambda address: print(address, flush=True))
print("closed", flush=True)
"""


def test_a_port_that_is_taken_is_said_in_a_sentence(tmp_path):
    with socket.socket() as taken, open_store(tmp_path / "s.duckdb", create=True) as store:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(PledgewattError, match=f"Port {port} .* is taken by another program"):
            serve(store, port=port)


def test_serving_answers_and_ends_on_sigterm_with_the_store_closed(tmp_path):
    with subprocess.Popen(
        [sys.executable, "-c", PROGRAM, str(tmp_path / "s.duckdb")],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            address = process.stdout.readline().strip()
            with urllib.request.urlopen(f"{address}health", timeout=10) as answer:
                assert answer.read() == b"ok"
            process.send_signal(signal.SIGTERM)
            out, err = process.communicate(timeout=20)
        finally:
            process.kill()
    assert process.returncode == 0, err
    assert "closed" in out
    assert "Traceback" not in err


def test_a_refresh_judges_every_site_and_one_failure_stops_no_other(
    tmp_path, sites, now, monkeypatch
):
    from dashboard import serve as module

    real = module.refresh_site

    def failing(store, site_id, **more):
        if site_id == "alder-row-3":
            raise RuntimeError("broken")
        return real(store, site_id, **more)

    monkeypatch.setattr(module, "refresh_site", failing)
    with open_store(tmp_path / "s.duckdb", create=True) as store:
        for site_id in ("alder-row-3", "fen-view"):
            save_site(store, sites[site_id], now)
        assert refresh_all(store, now) == 1
        assert [s.site for s in derived.load_standings(store)] == ["fen-view"]
