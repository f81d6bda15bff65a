"""What every worker process of a long piece of work wants: one core each, and an end.

Knows processes only, not what they work on. Tuning and evaluation start their workers with
these.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager

ONE_THREAD = {
    "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1",
    "VECLIB_MAXIMUM_THREADS": "1", "NUMEXPR_NUM_THREADS": "1",
}  # fmt: skip
"""Read by the libraries for sums when a process loads them."""


@contextmanager
def one_thread_each() -> Iterator[None]:
    """Child processes started meanwhile keep to one core each."""
    before = {name: os.environ.get(name) for name in ONE_THREAD}
    os.environ.update(ONE_THREAD)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def end_with_parent() -> None:
    """Start a thread that ends this process when the one that started it is gone.

    A killed parent cannot tell its workers; without this they would wait for ever.
    """
    import multiprocessing
    from multiprocessing.connection import wait

    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def watch() -> None:
        wait([parent.sentinel])
        os._exit(1)

    threading.Thread(target=watch, name="parent watch", daemon=True).start()
