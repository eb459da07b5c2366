"""A batch on many machines: clips are handed to the workers of a running Dask scheduler.

Each worker is given no more clips than it has threads, and the next one when it is done. So a worker
that dies takes only clips with it that it was measuring; these are given to others. A clip whose
process or worker dies `MOST_BREAKS` times while nothing else ran there is listed as failed.
Clips and results lie on a folder that all machines share; only a few words go over Dask's link.
"""

from __future__ import annotations

import pickle
import queue
import time
import uuid
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit

from shared.errors import Cancelled, LanesideError, OptionError
from shared.files import output_error
from ui.batch_job import Job
from ui.batch_link import connected
from ui.batch_table import Row
from ui.batch_worker import Introduction, Work, introduction, measure_there, measured_apart
from ui.options import Options

POLL_S: Final = 1.0
"""How often the scheduler is asked who is there."""
ANSWER_S: Final = 30.0
PATIENCE_S: Final = 60.0
"""How long a batch without any worker waits for one: a worker that died is started anew in seconds."""
MOST_BREAKS: Final = 3


@dataclass(eq=False)
class Machine:
    """A worker, and the jobs (by key) that it has."""

    address: str
    slots: int
    said: Introduction
    has: dict[str, Given] = field(default_factory=dict)

    @property
    def host(self) -> str:
        """Where it runs."""
        return urlsplit(self.address).hostname or self.address

    @property
    def free(self) -> int:
        """How many more clips it may be given; none beside one that has to be alone."""
        return 0 if any(g.alone for g in self.has.values()) else self.slots - len(self.has)


@dataclass(frozen=True, eq=False)
class Given:
    """A job in a worker's hands."""

    job: Job
    alone: bool
    future: Any


def measure_on_cluster(
    todo: Iterator[Job],
    clips: Sequence[Path],
    out: Path,
    options: Options,
    address: str,
    note: Callable[[int, Row], None],
    tell: Callable[[str], None],
    work: Work = measure_there,
    patience_s: float = PATIENCE_S,
) -> None:
    """Measure jobs on the workers of the scheduler at `address`.

    Parameters
    ----------
    todo : iterator of Job
        Taken one by one as workers become free.
    clips : sequence of Path
        All clips: their folders must be seen by a worker before it takes part.
    out : Path
        Folder of results, shared by all machines.
    options : Options
    address : str
        ``tcp://HOST:PORT`` or ``tls://HOST:PORT``.
    note, tell : callable
        Told each row with its place; told what becomes of workers.
    work : callable
        Run for each clip in a process of its own.
    patience_s : float
        Wait for a worker when none is left.

    Raises
    ------
    OptionError
        No scheduler at that address, or no worker that can be used.
    LanesideError
        Scheduler or all workers were lost on the way.
    Cancelled
        It was stopped: what has not begun is not begun, what has begun is finished by the workers.
    """
    weights = options.weights and options.weights.absolute()
    options = replace(options, profile=_found_everywhere(options.profile), weights=weights)
    with connected(address) as client, _secret_word(out) as (word, secret):
        places = sorted(p for p in {clip.absolute().parent for clip in clips} if p.is_dir())
        hands = _Hands(client, address, (word, secret, places), options, note, tell, work, patience_s)
        try:
            hands.measure(todo)
        except KeyboardInterrupt:
            raise Cancelled(
                "the batch",
                f"it was stopped; what workers have in hand (clips: {hands.count()}) they finish, and it is kept",
                "start it again when you like",
            ) from None
        except OSError as error:
            raise LanesideError(
                address,
                f"the link to the scheduler broke ({error})",
                "see that it runs, then start the batch again: what is done stays done",
            ) from error


class _Hands:
    """Who has which clip. One batch's state; nothing of it outlives the batch."""

    def __init__(
        self,
        client: Any,
        address: str,
        ask: tuple[Path, str, Sequence[Path]],
        options: Options,
        note: Callable[[int, Row], None],
        tell: Callable[[str], None],
        work: Work,
        patience_s: float,
    ) -> None:
        self.client, self.address, self.ask, self.options = client, address, ask, options
        self.note, self.tell, self.work, self.patience_s = note, tell, work, patience_s
        self.machines: dict[str, Machine] = {}
        self.refused: dict[str, str] = {}
        self.upcoming: Job | None = None
        self.again: list[Job] = []
        self.breaks: dict[int, int] = {}
        self.broke_at: dict[int, set[str]] = {}
        self.ended: queue.SimpleQueue[str] = queue.SimpleQueue()
        self.met_at = self.served_at = time.monotonic()

    def measure(self, todo: Iterator[Job]) -> None:
        self.meet()
        if not self.machines:
            raise self.nobody()
        self.upcoming = next(todo, None)
        while self.upcoming or self.again or self.count():
            self.give(todo)
            self.hear()
            if time.monotonic() - self.met_at >= POLL_S:
                self.meet()
            if self.machines:
                self.served_at = time.monotonic()
            elif time.monotonic() - self.served_at > self.patience_s:
                raise LanesideError(
                    "the batch",
                    f"no worker was left for {self.patience_s:g} seconds",
                    "start workers, then the batch again: what is done stays done",
                )

    def count(self) -> int:
        """Clips in the hands of workers."""
        return sum(len(m.has) for m in self.machines.values())

    # -- who is there ---------------------------------------------------------------------------

    def meet(self) -> None:
        """Let go of workers that went, and look at those that came."""
        there: dict[str, int] = self.client.nthreads()
        self.met_at = time.monotonic()
        for gone in [a for a in self.machines if a not in there]:
            self.lost(self.machines.pop(gone))
        self.refused = {a: why for a, why in self.refused.items() if a in there}
        new = [a for a in there if a not in self.machines and a not in self.refused]
        if not new:
            return
        answers: dict[str, Any] = self.client.run(introduction, *self.ask, workers=new, on_error="return")
        for address, said in answers.items():
            if isinstance(said, OSError):
                continue  # it went in this moment, or comes again with the next look
            problem = self.unfit(said)
            if problem:
                self.refused[address] = problem
                self.tell(f"Worker {address} is left out: {problem}.")
            else:
                self.machines[address] = Machine(address, there[address], said)

    @staticmethod
    def unfit(said: Any) -> str:
        """Why a worker can't take part; empty if it can."""
        if not isinstance(said, Introduction):
            return (
                f"it can't run this program ({type(said).__name__}: {said}); install the same version there"
            )
        if said.version != version("laneside"):
            return f"{said.machine} has version {said.version} of the program, this is {version('laneside')}"
        return said.problem and f"{said.machine}: {said.problem}"

    def nobody(self) -> LanesideError:
        if not self.refused:
            return OptionError(
                "--scheduler",
                f"no worker is connected to {self.address}",
                f"start one on each machine: dask worker {self.address} --nworkers 1 --nthreads 2",
            )
        first = next(iter(self.refused.values()))
        return OptionError(
            "--scheduler",
            f"none of the workers at {self.address} can be used, for instance: {first}",
            "give all machines the same program and a shared folder under the same path",
        )

    # -- handing out ----------------------------------------------------------------------------

    def give(self, todo: Iterator[Job]) -> None:
        """Hand out clips while somebody is free."""
        kept = self.kept_free()
        for address, job in kept.items():
            if not self.machines[address].has:
                self.again.remove(job)
                self.hand(self.machines[address], job, alone=True)
        for machine in self.machines.values():
            while self.upcoming and machine.address not in kept and machine.free > 0:
                self.hand(machine, self.upcoming, alone=machine.slots == 1)
                self.upcoming = next(todo, None)

    def kept_free(self) -> dict[str, Job]:
        """A worker for each clip that broke off before, to be alone on; on another machine if there is one."""
        kept: dict[str, Job] = {}
        idlest = sorted(self.machines.values(), key=lambda m: len(m.has))
        for job in self.again:
            able = [m for m in idlest if m.address not in kept]
            fresh = [m for m in able if m.host not in self.broke_at[job.place]]
            for machine in (fresh or able)[:1]:
                kept[machine.address] = job
        return kept

    def hand(self, machine: Machine, job: Job, alone: bool) -> None:
        there = replace(job, clip=job.clip.absolute(), folder=job.folder.absolute())
        slots = (
            machine.slots if alone else sum(m.slots for m in self.machines.values() if m.host == machine.host)
        )
        threads = max(1, machine.said.cores // slots)
        future = self.client.submit(
            measured_apart,
            pickle.dumps((self.work, there, self.options, threads)),
            key=f"laneside-{uuid.uuid4()}",
            workers=[machine.address],
            allow_other_workers=False,
        )
        machine.has[future.key] = Given(job, alone, future)
        future.add_done_callback(lambda f: self.ended.put(f.key))

    # -- what comes back ------------------------------------------------------------------------

    def hear(self) -> None:
        """Wait a little for a clip to be done, and note it."""
        try:
            key = self.ended.get(timeout=POLL_S)
        except queue.Empty:
            return
        machine = next((m for m in self.machines.values() if key in m.has), None)
        if machine is None:
            return  # given up before
        given = machine.has.pop(key)
        said: Row | str
        try:
            said = pickle.loads(given.future.result(timeout=ANSWER_S))
        except Exception as error:  # whatever went wrong there: the clip is tried again
            said = f"{given.job.clip.name}: its worker failed ({type(error).__name__}: {error})"
        if isinstance(said, Row):
            folder = given.job.folder if said.folder is not None else None
            self.note(given.job.place, replace(said, clip=given.job.clip, folder=folder))
        else:
            self.broke(given.job, machine, said, blamed=True)

    def lost(self, machine: Machine) -> None:
        """Take back what a worker had that went."""
        self.tell(f"Worker {machine.address} ({machine.said.machine}) went; its clips are given to others.")
        for given in machine.has.values():
            given.future.cancel()
            why = f"{given.job.clip.name}: each worker that measured it went; try it alone on this machine."
            self.broke(given.job, machine, why, blamed=given.alone)

    def broke(self, job: Job, machine: Machine, why: str, blamed: bool) -> None:
        """Try a clip again, unless it has broken off too often while it was alone."""
        self.breaks[job.place] = self.breaks.get(job.place, 0) + blamed
        self.broke_at.setdefault(job.place, set()).add(machine.host)
        if self.breaks[job.place] >= MOST_BREAKS:
            self.note(job.place, Row(job.clip, "failed", None, why))
        else:
            self.again.append(job)


def _found_everywhere(profile: str) -> str:
    """The profile under a name that doesn't hang on the folder one stands in."""
    from technique.targets import profile_names

    return profile if profile in profile_names() else str(Path(profile).expanduser().absolute())


@contextmanager
def _secret_word(out: Path) -> Iterator[tuple[Path, str]]:
    """A file in `out` by which a worker shows that it sees this very folder."""
    word, secret = out.absolute() / f".seen-{uuid.uuid4().hex[:12]}", uuid.uuid4().hex
    try:
        word.write_text(secret, encoding="utf-8")
    except OSError as error:
        raise output_error(out, error) from error
    try:
        yield word, secret
    finally:
        with suppress(OSError):
            word.unlink(missing_ok=True)
