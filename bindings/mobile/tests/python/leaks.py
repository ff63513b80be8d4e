"""Memory stays flat over many calls: records, lists, errors, callbacks, futures, opened and closed logs."""

import asyncio
import gc
import sys
from pathlib import Path

from embertally_mobile import Embertally, EmbertallyError, Observer
from scenario import Pocket, Steps, evening

# A leak of one hundred bytes a call would be 2 MB after a round.
ROUND, MOST_KB = 20_000, 1_000


class Deaf(Observer):
    def changed(self, changes):
        pass


def resident_kb():
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1])
    raise RuntimeError("this system does not say how much memory is held")


async def calls(log, folder, rounds):
    for n in range(rounds):
        log.live()
        log.register()
        log.volleys(most=3)
        log.sync_status()
        try:
            log.mark_safe(["nonsense"])
        except EmbertallyError.Usage:
            pass
        if n % 10 == 0:
            log.observe(Deaf()).stop()
            await log.disputes()
        if n % 400 == 0:
            Embertally.open(str(folder / "log"), clock=Steps(), keys=log_keys)


log_keys = Pocket()


async def main(folder):
    log = Embertally.open(str(folder / "log"), clock=Steps(), keys=log_keys)
    evening(log)
    await calls(log, folder, ROUND // 5)
    seen = []
    for _ in range(4):
        gc.collect()
        seen.append(resident_kb())
        await calls(log, folder, ROUND // 5)
    gc.collect()
    seen.append(resident_kb())
    print("leaks: resident memory, kB, every", ROUND, "calls:", seen)
    assert seen[-1] - seen[1] <= 3 * MOST_KB, "memory grows"


asyncio.run(main(Path(sys.argv[1])))
