"""Faults of the disk under the whole logger: real small file systems, errors injected below Python."""

from __future__ import annotations

import contextlib
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from rig.domain.model import EventKind
from rig.store.reader import RunReader
from rig.store.writer import RESERVE
from tests.faults.catalogue import Unavailable, provocation
from tests.faults.clocks import to_next_hour_ns
from tests.faults.logger import Logger
from tests.faults.meter import TcpPort
from tests.faults.shim import EIO, ENOSPC, Shim, need_root
from tests.faults.stage import Stage, end_and_judge, stage


@contextmanager
def _mounted(folder: Path, options: str) -> Iterator[Path]:
    """Yield a tmpfs of its own as the folder of runs."""
    need_root("mounting a file system")
    place = folder / "runs"
    place.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", options, "tmpfs", place], capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise Unavailable(f"mount: {done.stderr.strip()}")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", place], check=False, capture_output=True)


def _refusal(
    on: Stage, logger: Logger, begin: Callable[[], object], end: Callable[[], object], *, hold_s: float = 1.0
) -> str:
    """Let the disk refuse for a while; afterwards everything that was taken meanwhile must be there."""
    logger.until_readings("meter", 10)
    begin()
    began = time.monotonic()
    count = len(on.meter.said)

    def asked_on() -> bool:
        return time.monotonic() - began > hold_s and len(on.meter.said) > count + 10

    logger.until("polling went on meanwhile", asked_on)
    end()
    logger.until_event(EventKind.STORE_BACK)
    logger.until_readings("meter", 10)
    held = len(on.meter.said)
    found = end_and_judge(on, logger, statuses=set())
    inner = [number for number in found.missing if number < held]
    assert inner == [], f"{len(inner)} readings lost"
    told = [one for one in RunReader.open(on.run_path).events() if one.kind is EventKind.STORE_FAULT]
    assert told
    return f"{found.good} readings, none missing; told: {told[0].data.get('reason', told[0].text)}"


@provocation("storage", "disk full, then freed", "tmpfs of 2 MB filled by a ballast file")
def full(folder: Path) -> str:
    with _mounted(folder, "size=2m") as place, stage(folder, TcpPort()) as on:
        logger = on.start()
        ballast = place / "ballast"

        def fill() -> None:
            with ballast.open("wb", buffering=0) as file, contextlib.suppress(OSError):
                while True:
                    file.write(bytes(512))

        return _refusal(on, logger, fill, ballast.unlink)


@provocation(
    "storage", "out of inodes at a rotation", "tmpfs with 60 inodes, used up; clock at the full hour"
)
def inodes(folder: Path) -> str:
    shim = Shim(folder)
    with _mounted(folder, "size=8m,nr_inodes=60") as place, stage(folder, TcpPort()) as on:
        shim.order(realtime_ns=to_next_hour_ns(6.0))
        logger = on.start(environment=shim.environment)

        def use_up() -> None:
            with contextlib.suppress(OSError):
                for k in range(100):
                    (place / f"x{k}").write_bytes(b"")

        def give_back() -> None:
            for path in place.glob("x*"):
                path.unlink()

        return _refusal(on, logger, use_up, give_back, hold_s=8.0)


@provocation(
    "storage",
    "file system turns read-only, is repaired",
    "ext4 on a loop device: error triggered, fsck, mounted anew",
)
def read_only(folder: Path) -> str:
    need_root("mounting a file system")
    place, image = folder / "runs", folder / "image"
    place.mkdir()
    with image.open("wb") as file:
        file.truncate(24 << 20)
    loops: list[str] = []

    def mount() -> None:
        # A device of its own each time: while the lock is open, the kernel gives the failed one again.
        found = subprocess.run(
            ["losetup", "-f", "--show", image], check=True, capture_output=True, text=True
        ).stdout.strip()
        loops.append(found)
        options = ["-t", "ext4", "-o", "errors=remount-ro"]
        subprocess.run(["mount", *options, found, place], check=True, capture_output=True)

    try:
        subprocess.run(["mkfs.ext4", "-q", "-F", image], check=True, capture_output=True)
        mount()
    except (OSError, subprocess.CalledProcessError) as error:
        raise Unavailable(f"an ext4 file system on a loop device: {error}") from error
    try:
        with stage(folder, TcpPort()) as on:
            logger = on.start()
            trigger = Path("/sys/fs/ext4") / Path(loops[0]).name / "trigger_fs_error"

            def repair() -> None:
                subprocess.run(["umount", "-l", place], check=True)
                time.sleep(1.0)
                subprocess.run(["e2fsck", "-fy", image], check=False, capture_output=True)
                mount()

            return _refusal(on, logger, lambda: trigger.write_text("1"), repair, hold_s=2.0)
    finally:
        subprocess.run(["umount", "-l", place], check=False, capture_output=True)
        for loop in loops:
            subprocess.run(["losetup", "-d", loop], check=False, capture_output=True)


@provocation(
    "storage", "EIO on write", "the third write to a journal and all for a second (preloaded library)"
)
def eio_write(folder: Path) -> str:
    return _injected(folder, write_errno=EIO, write_after=2)


@provocation("storage", "EIO on fsync", "the second fsync of a journal fails, the third would succeed")
def eio_fsync_once(folder: Path) -> str:
    shim = Shim(folder)
    with stage(folder, TcpPort()) as on:
        logger = on.start(environment=shim.environment)
        logger.until_readings("meter", 10)
        shim.order(part=".journal", fsync_errno=EIO, fsync_after=1, times=1)
        logger.until_event(EventKind.STORE_BACK)
        logger.until_readings("meter", 10)
        assert shim.failed == 1
        assert len(list((on.run_path / "journal").glob("j*.journal"))) == 2, "a new journal was begun"
        held = len(on.meter.said)
        found = end_and_judge(on, logger, statuses=set())
        assert [number for number in found.missing if number < held] == []
        assert len(logger.of(EventKind.STORE_FAULT)) == 1
        return f"a new journal with all since the last good sync; {found.good} readings, none missing"


@provocation("storage", "EIO on every fsync for a while", "all fsyncs of journals fail for a second")
def eio_fsync(folder: Path) -> str:
    return _injected(folder, fsync_errno=EIO)


@provocation(
    "storage", "disk full found at the rename", "ENOSPC when a new journal is given its name, after EIO"
)
def rename_refused(folder: Path) -> str:
    return _injected(folder, fsync_errno=EIO, rename_errno=ENOSPC)


def _injected(folder: Path, **orders: int) -> str:
    shim = Shim(folder)
    with stage(folder, TcpPort()) as on:
        logger = on.start(environment=shim.environment)
        failed: list[int] = []

        def end() -> None:
            failed.append(shim.failed)
            shim.behave()

        outcome = _refusal(on, logger, lambda: shim.order(part=".journal", **orders), end)
        assert failed[0] > 0
        return f"{failed[0]} calls failed; {outcome}"


@provocation("storage", "EIO on fsync, by strace", "strace --seccomp-bpf injects EIO into fsyncs 40 to 44")
def eio_by_strace(folder: Path) -> str:
    if shutil.which("strace") is None:
        raise Unavailable("no strace")
    with stage(folder, TcpPort()) as on:
        tracing = ["strace", "-f", "--seccomp-bpf", "-qq", "-o", str(folder / "trace"), "-e", "trace=fsync"]
        logger = on.start(prefix=[*tracing, "-e", "inject=fsync:error=EIO:when=40..44"])
        logger.until_event(EventKind.STORE_BACK, patience_s=60)
        logger.until_readings("meter", 10)
        held = len(on.meter.said)
        found = end_and_judge(on, logger, statuses=set())
        injected = (folder / "trace").read_text("utf-8", "replace").count("(INJECTED)")
        assert injected == 5, injected
        assert [number for number in found.missing if number < held] == []
        return f"{injected} fsyncs failed; {found.good} readings, none missing"


@provocation(
    "storage",
    "the run's folder vanishes and comes back",
    "moved away for two seconds, as a network folder may be",
)
def moved_away(folder: Path) -> str:
    with stage(folder, TcpPort()) as on:
        logger = on.start()
        logger.until_readings("meter", 10)
        runs, away = folder / "runs", folder / "away"
        runs.rename(away)
        time.sleep(2.0)
        away.rename(runs)
        logger.until_event(EventKind.STORE_BACK)
        logger.until_readings("meter", 10)
        held = len(on.meter.said)
        found = end_and_judge(on, logger, statuses=set())
        assert [number for number in found.missing if number < held] == []
        told = logger.of(EventKind.STORE_FAULT)[0]
        return f"told: {told.text[:70]}...; {found.good} readings, none missing"


@provocation(
    "storage",
    "the file system vanishes for good",
    "tmpfs lazily unmounted, an empty one mounted, then the first again",
)
def unmounted(folder: Path) -> str:
    with _mounted(folder, "size=8m") as place, stage(folder, TcpPort()) as on:
        logger = on.start()
        logger.until_readings("meter", 10)
        kept = folder / "kept"
        kept.mkdir()
        subprocess.run(["mount", "--bind", place, kept], check=True)
        try:
            subprocess.run(["umount", "-l", place], check=True)
            time.sleep(2.0)
            subprocess.run(["mount", "--bind", kept, place], check=True)
        finally:
            subprocess.run(["umount", "-l", kept], check=True)
        logger.until_event(EventKind.STORE_BACK)
        logger.until_readings("meter", 10)
        held = len(on.meter.said)
        found = end_and_judge(on, logger, statuses=set())
        assert [number for number in found.missing if number < held] == []
        return f"{found.good} readings, none missing"


@provocation("storage", "the run's folder deleted under the logger", "rm -r of the run; nothing to come back")
def deleted(folder: Path) -> str:
    with stage(folder, TcpPort()) as on:
        logger = on.start()
        logger.until_readings("meter", 10)
        shutil.rmtree(on.run_path)
        count = len(on.meter.said)
        began = time.monotonic()
        while len(on.meter.said) < count + 60 and time.monotonic() - began < 20:
            assert logger.process.poll() is None, logger.said
            time.sleep(0.1)
        assert len(on.meter.said) >= count + 60, "polling went on"
        code = logger.stop()
        assert code == 5, (code, logger.said)
        assert "could not be written" in logger.said
        assert "Traceback" not in logger.said
        return "polling goes on; the end says how many records could not be written (exit 5)"


@provocation(
    "storage",
    "the last room on a full disk",
    "12 MB tmpfs filled: the reserve file is given up for the last records",
)
def reserve(folder: Path) -> str:
    with _mounted(folder, "size=12m") as place, stage(folder, TcpPort()) as on:
        logger = on.start()
        logger.until_readings("meter", 10)
        kept = on.run_path / RESERVE
        assert kept.exists()
        with (place / "ballast").open("wb", buffering=0) as file, contextlib.suppress(OSError):
            while True:
                file.write(bytes(512))
        logger.until("the reserve is given up", lambda: not kept.exists())
        logger.until_readings("meter", 40)
        held = len(on.meter.said)
        assert logger.stop() in {0, 5}
        run = RunReader.open(on.run_path)
        from tests.faults.stage import judge

        found = judge(run, on.meter, "meter")
        assert found.wrong == []
        assert [number for number in found.missing if number < held - 3] == []
        stops = [one for one in run.events() if one.kind is EventKind.SESSION_STOP]
        assert len(stops) == 1, "the stop itself was still written"
        return f"{found.good} readings and the stop are on the full disk, none missing"
