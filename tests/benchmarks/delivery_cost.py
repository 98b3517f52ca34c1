"""What delivery costs: python tests/benchmarks/delivery_cost.py [--quick].

Prints how long a message takes from its commit to a siren and to a service on this computer, cold and warm;
what a sending process takes of memory; and how much longer a commit takes while the worker is busy.
"""

import sqlite3
import sys
import tempfile
import threading
import time
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parents[2]))

from sentinel.core.clock import SystemClock
from sentinel.core.settings import Channel
from sentinel.service.delivery.worker import Worker
from sentinel.service.journal.journal import Journal
from sentinel.service.journal.outbox import Outbox
from tests.delivery.receivers import Session, alert, http_receiver, secret_file, settings_for


def seconds(values: list[float]) -> str:
    return f"median {1000 * median(values):.0f} ms, worst {1000 * max(values):.0f} ms of {len(values)}"


def pss_kb(pid: int) -> int:
    lines = Path(f"/proc/{pid}/smaps_rollup").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("Pss:"))


def latencies(folder: Path, count: int) -> None:
    mark = folder / "sounded"
    with http_receiver() as receiver:
        siren = Channel(name="siren", command=("touch", str(mark)), severities=("now",))
        phone = Channel(name="phone", url_from=secret_file(folder, "url", receiver.url))
        one = Session(folder, settings_for(siren, phone))
        worker = Worker(one.path, one.settings, SystemClock())
        worker.start()
        to_siren, to_phone = [], []
        for number in range(count):
            mark.unlink(missing_ok=True)
            before = len(receiver.got)
            begin = time.perf_counter()
            one.commit(alert(f"{number}", condition=f"c{number}"), now_utc=SystemClock().now_utc())
            worker.wake()
            while not mark.exists():
                time.sleep(0.0005)
            to_siren.append(time.perf_counter() - begin)
            while len(receiver.got) == before:
                time.sleep(0.0005)
            to_phone.append(time.perf_counter() - begin)
            time.sleep(0.05)
        print(f"commit to siren: {seconds(to_siren)}")
        first = f"first (its process starts) {1000 * to_phone[0]:.0f} ms"
        print(f"commit to service: {first}; then {seconds(to_phone[1:])}")
        process = worker._dispatchers[1]._transport._process._process  # type: ignore[union-attr]
        print(f"sending process: {pss_kb(process.pid) / 1024:.0f} MiB (PSS), let go after two idle minutes")
        worker.stop()
        one.close()


def commit_times(path: Path, count: int) -> list[float]:
    journal = Journal(sqlite3.connect(path, isolation_level=None, timeout=10), path)
    times = []
    for number in range(count):
        second = Session.__new__(Session)
        second.path, second.settings, second.journal = path, settings_for(), journal
        begin = time.perf_counter()
        second.commit(alert(f"{number}"))
        times.append(time.perf_counter() - begin)
        time.sleep(0.002)
    journal.close()
    return times


def contention(folder: Path, count: int) -> None:
    one = Session(folder, settings_for(Channel(name="phone", url_from="env:P")))
    print(f"commit of an event, worker idle: {seconds(commit_times(one.path, count))}")
    one.commit(alert())
    stop = threading.Event()

    def marking() -> None:
        # The worst case: a worker that notes results without pause.
        with Outbox.open(one.path) as outbox:
            while not stop.is_set():
                row = outbox.next_due("phone", SystemClock().now_utc())
                if row is not None:
                    outbox.begin(row)
                    outbox.again(row, SystemClock().now_utc(), "refused")

    thread = threading.Thread(target=marking)
    thread.start()
    print(f"commit of an event, worker noting without pause: {seconds(commit_times(one.path, count))}")
    stop.set()
    thread.join()
    one.close()


if __name__ == "__main__":
    few = "--quick" in sys.argv
    for number, measure in enumerate((latencies, contention)):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            measure(folder, (6, 50)[number] if few else (40, 400)[number])
