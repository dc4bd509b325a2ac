#!/usr/bin/env python3
"""Drives a campaign over many machines with Dask: shards as tasks, a lost worker's shard is done again elsewhere.

    pip install "dask[distributed]"
    python examples/campaign/dask_driver.py --captures captures --into campaign --shards 16
    python examples/campaign/dask_driver.py --captures captures --into campaign --shards 16 --scheduler tcp://host:8786

The program does all of the work; this only says who does which share. Captures and results lie where every worker sees
them. A share that was cut off goes on where its journal ends (--resume); the journal is locked while it is written, so
that a share has one writer. --lose-a-worker kills one worker in the middle, to see that nothing is lost.
"""

import argparse
import os
import pathlib
import signal
import subprocess
import sys
import time


def die_with_parent():
    """On Linux the program ends with the worker that started it, even when that is killed."""
    if sys.platform == "linux":
        import ctypes

        PR_SET_PDEATHSIG = 1
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL)


def run_share(program, listed, into, number, of, more):
    """One share of the campaign, as one process; 1 says that single captures failed, which their rows tell."""
    began = time.monotonic()
    command = [program, "batch", "--files-from", listed, "--shard", f"{number}/{of}", "--into", into, "--resume", *more]
    done = subprocess.run(command, capture_output=True, text=True, preexec_fn=die_with_parent, check=False)
    if done.returncode not in (0, 1):
        # Dask tries it again; a share whose last writer is still dying waits a little first.
        time.sleep(1)
        raise RuntimeError(f"share {number}/{of} ended with {done.returncode}: {done.stderr[-2000:]}")
    return number, done.returncode, time.monotonic() - began


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--captures", required=True, help="folder of captures, or a text file that lists them")
    parser.add_argument("--into", required=True, help="folder of results, seen by every worker")
    parser.add_argument("--shards", type=int, default=16, help="shares; some for each worker, so that losing one costs little")
    parser.add_argument("--workers", type=int, default=2, help="worker processes on this machine, where no scheduler is named")
    parser.add_argument("--scheduler", help="address of a running Dask scheduler")
    parser.add_argument("--program", default="linewake")
    parser.add_argument("--lose-a-worker", action="store_true", help="kill one local worker once a third of the shares is done")
    options, more = parser.parse_known_args()

    from dask.distributed import Client, LocalCluster, as_completed

    into = pathlib.Path(options.into).absolute()
    into.parent.mkdir(parents=True, exist_ok=True)
    captures = pathlib.Path(options.captures).absolute()
    listed = captures
    if captures.is_dir():
        # One list for all, so that every share sees the same captures even if more come meanwhile.
        listed = into.with_name(into.name + ".captures")
        listed.write_text("".join(f"{path}\n" for path in sorted(captures.rglob("*")) if path.is_file()))
    if options.scheduler:
        cluster, client = None, Client(options.scheduler)
    else:
        cluster = LocalCluster(n_workers=options.workers, threads_per_worker=1, processes=True, dashboard_address=None)
        client = Client(cluster)

    began = time.monotonic()
    shares = [
        client.submit(
            run_share, options.program, str(listed), str(into), number, options.shards, more, retries=5, pure=False
        )
        for number in range(1, options.shards + 1)
    ]
    busy, failed, lost = 0.0, 0, False
    for done, share in enumerate(as_completed(shares), start=1):
        number, status, took = share.result()
        busy += took
        failed += status
        print(f"share {number}/{options.shards}: {took:.2f} s, status {status}", flush=True)
        if options.lose_a_worker and cluster and not lost and 3 * done >= options.shards:
            lost = True
            worker = next(iter(client.scheduler_info()["workers"]))
            process = client.run(os.getpid, workers=[worker])[worker]
            os.kill(process, signal.SIGKILL)
            print(f"killed worker {process}", flush=True)
    wall = time.monotonic() - began
    rows = subprocess.run([options.program, "batch", "--into", str(into)], check=False).returncode
    total = time.monotonic() - began
    workers = options.workers if cluster else len(client.scheduler_info()["workers"])
    print(f"{options.shards} shares on {workers} workers in {wall:.2f} s (busy {busy:.2f} s); with the rows made {total:.2f} s")
    print(f"{failed} shares hold captures that could not be read" if failed else "all captures were read")
    client.close()
    if cluster:
        cluster.close()
    sys.exit(1 if failed else rows)


if __name__ == "__main__":
    main()
