"""A floor done on a cluster of this machine whose worker is killed midway: `-m batch.on_cluster FLOOR RESULTS`."""

import json
import os
import signal
import sys

from batch.floors import quickly


def main(floor: str, results: str) -> None:
    """Print the killed process and the rows."""
    from distributed import LocalCluster

    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        killed = []

        def kill(_):
            if not killed:
                killed.append(next(iter(cluster.workers.values())).pid)
                os.kill(killed[0], signal.SIGKILL)

        answer = quickly([floor], scheduler=cluster.scheduler_address, results=results, tell=kill)
    print(json.dumps({"killed": killed, "rows": answer.benches}))


if __name__ == "__main__":
    main(*sys.argv[1:])
