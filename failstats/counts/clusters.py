"""Where work by partition is done: in this process, or on a cluster of Dask workers.

Both do the same: call a function for each partition and hand back what it returned, in the order
of the partitions, or add it up, neighbours first: on a cluster that is done by the workers.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from typing import Any, Protocol

from failstats.counts.packing import Packed, add_packed
from failstats.errors import InputError, WarehouseError
from failstats.warehouse.sums import in_pairs

__all__ = ["Cluster", "Here", "Lent", "Place", "place_of"]

#: For a scheduler to answer and a worker to be there.
WAIT_SECONDS = 10.0
#: How often a task may lose its worker before it is taken to be what kills them.
LOSSES = 3


class Place(Protocol):
    """Something that calls a function for each partition."""

    #: How many threads of DuckDB each partition may take there; None for all.
    threads: int | None
    #: Whether what a function returns travels, and so is `Packed`.
    packs: bool

    def call(
        self,
        function: Callable[..., Any],
        arguments: Sequence[tuple[Any, ...]],
        partitions: Sequence[int],
    ) -> list[Any]:
        """function(*arguments[i]) for each partition i, in that order."""

    def add(
        self,
        function: Callable[..., Any],
        arguments: Sequence[tuple[Any, ...]],
        partitions: Sequence[int],
        plus: Callable[[Any, Any], Any],
    ) -> Any:
        """The same added up by `plus`, in the order of `in_pairs`."""

    def share(self, value: Any) -> Any:
        """An argument that many calls have in common: it travels to each process once."""

    def processes(self) -> int:
        """How many there are."""

    def everywhere(self, function: Callable[..., Any], *arguments: Any) -> None:
        """Call a function once in every process."""

    def close(self) -> None:
        """Let go of what was started for it."""


class Here:
    """One partition after the other, in this process."""

    threads: int | None = None
    packs = False

    def call(
        self,
        function: Callable[..., Any],
        arguments: Sequence[tuple[Any, ...]],
        partitions: Sequence[int],
    ) -> list[Any]:
        """As of `Place`."""
        return [function(*given) for given in arguments]

    def add(
        self,
        function: Callable[..., Any],
        arguments: Sequence[tuple[Any, ...]],
        partitions: Sequence[int],
        plus: Callable[[Any, Any], Any],
    ) -> Any:
        """As of `Place`."""
        return in_pairs((function(*given) for given in arguments), plus)

    def share(self, value: Any) -> Any:
        """As of `Place`."""
        return value

    def processes(self) -> int:
        """As of `Place`."""
        return 0

    def everywhere(self, function: Callable[..., Any], *arguments: Any) -> None:
        """As of `Place`."""
        function(*arguments)

    def close(self) -> None:
        """As of `Place`."""


class Lent:
    """A place that another session goes on using: closing it changes nothing."""

    def __init__(self, place: Place) -> None:
        self._place = place
        self.threads, self.packs = place.threads, place.packs
        self.call, self.add, self.share = place.call, place.add, place.share
        self.processes = place.processes
        self.everywhere = place.everywhere

    def close(self) -> None:
        """As of `Place`."""


class Cluster:
    """Workers of a Dask cluster, each with the partitions it has opened.

    A partition goes back to the worker that has it open, as long as that one lives. A worker that
    is lost costs time and nothing else: its partitions are opened again on another.

    Parameters
    ----------
    address : of the scheduler (tcp://…), or `local` for workers on this machine.
    workers : how many to start on this machine; default one per core.

    Raises
    ------
    InputError : Dask is not installed, or no scheduler answers at the address.
    """

    packs = True

    def __init__(self, address: str, *, workers: int | None = None) -> None:
        try:
            import dask
            from distributed import Client, LocalCluster
        except ImportError:
            raise InputError(
                "--cluster needs the package distributed, which is not installed.",
                where="--cluster",
                do='pip install "failstats[cluster]"',
            ) from None
        self._started: Any = None
        self.threads: int | None = None
        if address == "local":
            count = workers or os.cpu_count() or 1
            self.threads = max(1, (os.cpu_count() or 1) // count)
            # an idle worker that took another's partition would have to open it first
            with dask.config.set({"distributed.scheduler.work-stealing": False}):
                self._started = LocalCluster(
                    n_workers=count,
                    threads_per_worker=1,
                    processes=True,
                    dashboard_address=":0",  # any port: another cluster may run
                    silence_logs=50,
                )
            self.client = Client(self._started)
        else:
            try:
                self.client = Client(address, timeout=WAIT_SECONDS)
            except (OSError, ValueError) as fault:
                raise InputError(
                    "--cluster must be local or the address of a Dask scheduler, but at "
                    f"{address!r} none answers ({fault}).",
                    where="--cluster",
                    do="start one (dask scheduler) and give its address, such as tcp://host:8786.",
                ) from None
            self.threads = 1
            try:
                self.client.wait_for_workers(1, timeout=WAIT_SECONDS)
            except TimeoutError:
                self.client.close()
                raise InputError(
                    f"a cluster must have a worker, but the scheduler at {address} has none.",
                    where="--cluster",
                    do="start one: dask worker ADDRESS, with failstats installed where it runs.",
                ) from None
        self._home: dict[int, str] = {}

    def _workers(self) -> list[str]:
        return sorted(self.client.scheduler_info(n_workers=-1)["workers"])

    def _homes(self, partitions: Sequence[int]) -> None:
        """Give each partition a worker: the one that has it, else the one with the fewest.

        Neighbours begin on one worker, so that most of the adding up is done where they are.
        """
        there = self._workers()
        if not there:
            self._home = {}
            return
        self._home = {part: home for part, home in self._home.items() if home in there}
        if not self._home:
            share = len(there) / max(len(partitions), 1)
            self._home = {part: there[int(i * share)] for i, part in enumerate(partitions)}
        load = {worker: 0 for worker in there}
        for home in self._home.values():
            load[home] += 1
        for part in partitions:
            if part not in self._home:
                self._home[part] = min(there, key=lambda worker: (load[worker], worker))
                load[self._home[part]] += 1

    def _sent(
        self,
        function: Callable[..., Any],
        arguments: Sequence[tuple[Any, ...]],
        partitions: Sequence[int],
    ) -> list[Any]:
        self._homes(partitions)
        return [
            self.client.submit(
                function,
                *given,
                pure=False,
                retries=LOSSES,
                workers=self._home.get(part),  # None while all workers are gone: whoever comes
                allow_other_workers=part in self._home,
            )
            for given, part in zip(arguments, partitions, strict=True)
        ]

    def _gathered(self, futures: list[Any]) -> list[Any]:
        from distributed.scheduler import KilledWorker

        try:
            return list(self.client.gather(futures))
        except KilledWorker as fault:
            raise WarehouseError(
                "a partition must be read without its worker being killed, but "
                f"{LOSSES + 1} workers were lost over one.",
                where=str(fault.last_worker.address if fault.last_worker else "the cluster"),
                do="give workers more memory, or make more and smaller partitions.",
            ) from None

    def call(
        self,
        function: Callable[..., Any],
        arguments: Sequence[tuple[Any, ...]],
        partitions: Sequence[int],
    ) -> list[Any]:
        """As of `Place`."""
        return self._gathered(self._sent(function, arguments, partitions))

    def add(
        self,
        function: Callable[..., Any],
        arguments: Sequence[tuple[Any, ...]],
        partitions: Sequence[int],
        plus: Callable[[Any, Any], Any],
    ) -> Packed:
        """As of `Place`: neighbours are added up by the workers, and one sum comes back."""

        def added(one: Any, other: Any) -> Any:
            return self.client.submit(add_packed, plus, one, other, pure=False, retries=LOSSES)

        futures = self._sent(function, arguments, partitions)
        found: Packed = self._gathered([in_pairs(futures, added)])[0]
        return found

    def share(self, value: Any) -> Any:
        """As of `Place`; a worker that comes later gets it from another, or from the scheduler."""
        return self.client.submit(_itself, value, pure=False, retries=LOSSES)

    def processes(self) -> int:
        """As of `Place`."""
        return len(self._workers())

    def everywhere(self, function: Callable[..., Any], *arguments: Any) -> None:
        """As of `Place`."""
        self.client.run(function, *arguments, on_error="ignore")

    def close(self) -> None:
        """As of `Place`."""
        self.client.close()
        if self._started is not None:
            self._started.close()


def _itself(value: Any) -> Any:
    return value


def place_of(cluster: str | None, *, workers: int | None = None) -> Place:
    """This process, or the cluster that is named."""
    return Here() if cluster is None else Cluster(cluster, workers=workers)
