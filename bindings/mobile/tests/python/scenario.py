"""One evening, step by step; tests/scenario.rs and tests/kotlin/Scenario.kt do the same and give the same bytes."""

import asyncio
import sys
from pathlib import Path

from embertally_mobile import (
    Cause, Clock, Embertally, EmbertallyError, FileFormat, FiringModule, Fuse, FuseKind, Group, Ignition, IgniterType,
    KeyStore, Lot, Measure, Moment, Outing, OutingKind, Person, Precipitation, RatesQuery, Ruling, Seen, ShotEntry,
    Transfer, VolleyEntry, Weather, Wiring,
)


class Steps(Clock):
    """One second later at each look, from 2031-05-09T20:00:00+02:00."""

    def __init__(self):
        self.next = 1_936_116_000_000

    def now(self):
        self.next += 1000
        return Moment(unix_ms=self.next - 1000, offset_minutes=120)


class Pocket(KeyStore):
    """A key store in memory."""

    kept = None

    def load(self):
        return self.kept

    def save(self, secret):
        self.kept = secret


def of_evening(number):
    def shot(n):
        if n % 7 == 3:
            seen = Seen(ignition=Ignition.FAILED)
        elif n % 11 == 5:
            seen = Seen(ignition=Ignition.SLOW, transfer=Transfer.LIT, delay_low_ms=180.0, delay_high_ms=220.5)
        elif n % 5 == 4:
            seen = Seen(ignition=Ignition.FIRED, transfer=Transfer.UNLIT)
        else:
            seen = Seen(ignition=Ignition.FIRED, transfer=Transfer.LIT)
        return ShotEntry(lot="KB-104", unit=str(n + 1), seen=seen)

    return VolleyEntry(
        shots=[shot(number * 10 + i) for i in range(10)], fuse="visco, green", wiring=Wiring.PARALLEL, module="north",
        channel=number + 1, label=f"v{number}",
    )


def evening(log):
    log.name_device("phone 1")
    for name in ("First Watcher", "Second Watcher"):
        log.add_person(Person(name=name))
    log.set_observer("First Watcher")
    log.add_type(IgniterType(name="TZ quick", bridge_ohm=1.6, no_fire_a=0.2, all_fire_a=0.6))
    log.add_lot(Lot(mark="KB-104", igniter_type="TZ quick", use_by="2033-05-01", count=300))
    log.add_fuse(Fuse(name="visco, green", kind=FuseKind.VISCO))
    log.add_module(FiringModule(name="north", channels=32, supply_v=24.0, capacitor_uf=470.0))
    log.begin_outing(Outing(name="Dry run, 9 May 2031", kind=OutingKind.TEST, slow_limit_ms=150, wait_minutes=30))
    log.log_weather(Weather(temperature_c=12.5, humidity_pct=80.0, precipitation=Precipitation.DRIZZLE))
    return [log.log_volley(of_evening(n)) for n in range(4)]


async def summary(log):
    lines = [f"live: unit {s.unit or ''} {s.reason}" for s in log.live().shots]
    for row in await log.rates(RatesQuery(by=[Group.LOT, Group.FUSE, Group.WET], measure=Measure.IGNITION)):
        lines.append(f"rate: {'; '.join(n or '' for n in row.names)}: {row.words}")
    lines += [f"pairing: {p.sentence}" for p in (await log.pairings()).rows]
    for d in (await log.disputes()).disputes:
        lines.append(f"dispute: {d.about} {d.field}: {', '.join(f'{s.by} says {s.says}' for s in d.said)}")
    lines += [f"delay: {d.sentence}" for d in await log.delays([Group.LOT])]
    stranger = of_evening(9)
    stranger.shots[0].lot = "KB-140"
    for entry in (stranger, of_evening(0)):
        try:
            log.log_volley(entry)
            raise AssertionError("it was taken")
        except EmbertallyError.Refused as refused:
            lines.append(f"refused: {refused.code} {refused.reason.split(', in volley')[0]}")
    return "\n".join(lines) + "\n"


async def main(out):
    log = Embertally.open(str(out / "log"), clock=Steps(), keys=Pocket())
    logged = evening(log)
    others = [s.seen for s in of_evening(0).shots]
    others[0] = Seen(ignition=Ignition.FIRED, transfer=Transfer.UNLIT)
    log.log_sighting(logged[0].volley, others, "Second Watcher")
    corrected = of_evening(1)
    corrected.channel = 12
    log.correct_volley(logged[1].volley, corrected)
    log.rule(Ruling(shot=f"{logged[0].volley}:4", reason="the lead was found open", cause=Cause.WIRING))
    log.mark_safe([s.shot for s in log.live().shots[:2]], "drowned")
    (out / "summary.txt").write_text(await summary(log), encoding="utf-8")
    await log.export_file(str(out / "shots.csv"), FileFormat.CSV)
    await log.export_file(str(out / "shots.jsonl"), FileFormat.JSON_LINES)
    print("scenario: written")


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1])))
