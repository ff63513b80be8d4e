"""From a log to a picture, as one would in a notebook, and the same intervals from SciPy beside it.

    python rates.py [FOLDER] [PICTURE]

The data is invented: eight lots of igniters on two fuses, drawn from a seeded generator.
"""

# %% What is needed: the wheel of bindings/mobile/package-wheel, matplotlib, SciPy.
import asyncio
import csv
import random
import sys
import tempfile
from pathlib import Path

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
from scipy.stats import binomtest

from embertally_mobile import Embertally, FileFormat, Group, Measure, RatesQuery, cautions

FOLDER = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(tempfile.mkdtemp())
PICTURE = Path(sys.argv[2]) if len(sys.argv) > 2 else FOLDER / "rates.png"


# %% An invented season as a sheet: volleys of ten, some lots worse than others.
def invented(path):
    draw = random.Random(20310509)
    with path.open("w", newline="", encoding="utf-8") as out:
        rows = csv.writer(out)
        rows.writerow(["outing", "lot", "unit", "fuse", "volley", "wiring", "ignition", "transfer"])
        for number, true_rate in enumerate([0.005, 0.01, 0.01, 0.02, 0.03, 0.06, 0.10, 0.22]):
            fuse = "visco, green" if number % 2 else "quickmatch, paper pipe"
            for unit in range(40 + 15 * (number % 3)):
                failed = draw.random() < true_rate
                rows.writerow(["Invented season", f"XX-{number + 1:02}", unit + 1, fuse, f"{number}-{unit // 10}",
                               "parallel", "failed" if failed else "fired", "unlit" if failed else "lit"])


# %% Into a log, and out of it again as rates.
async def read(folder):
    folder.mkdir(parents=True, exist_ok=True)
    invented(folder / "season.csv")
    log = Embertally.open(str(folder / "log"))
    imported = await log.import_file(str(folder / "season.csv"), FileFormat.CSV)
    print(f"{imported.rows} rows, {imported.added} entries new")
    rates = await log.rates(RatesQuery(by=[Group.LOT], measure=Measure.RAW))
    worst = max(rates, key=lambda row: row.rate.rate)
    others = [row for row in rates if row is not worst]
    best = min(others, key=lambda row: (row.rate.high, row.names[0]))
    compared = await log.compare(Group.LOT, worst.names[0], best.names[0], Measure.RAW)
    return rates, compared


rates, compared = asyncio.run(read(FOLDER))
for row in rates:
    print(f"{row.names[0]}: {row.words}")
print(*compared.sentences, sep="\n")

# %% The same intervals from SciPy: Clopper-Pearson, shots taken as independent.
for row in rates:
    theirs = binomtest(row.rate.failures, row.rate.shots).proportion_ci(0.95, method="exact")
    assert abs(theirs.low - row.rate.low_independent) < 1e-9, (row, theirs)
    assert abs(theirs.high - row.rate.high_independent) < 1e-9, (row, theirs)
print(f"{len(rates)} intervals agree with SciPy's to 1e-9; those shown are wider, since shots of one volley are alike")

# %% The picture.
figure, axes = plt.subplots(figsize=(8, 4.6), layout="constrained")
figure.patch.set_facecolor("#14171c")
axes.set_facecolor("#14171c")
for place, row in enumerate(sorted(rates, key=lambda row: row.rate.rate)):
    r = row.rate
    axes.plot([100 * r.low, 100 * r.high], [place, place], color="#2b323d", linewidth=9, solid_capstyle="round")
    axes.plot([100 * r.low_independent, 100 * r.high_independent], [place, place], color="#ff8f45", linewidth=4,
              solid_capstyle="round")
    axes.plot(100 * r.rate, place, "o", color="#e9e4d8", markersize=6)
    axes.text(100 * r.high + 1.5, place, f"{r.failures} of {r.shots}", color="#98a1ad", va="center", fontsize=9)
axes.set_yticks(range(len(rates)), [row.names[0] for row in sorted(rates, key=lambda row: row.rate.rate)])
axes.set_xlim(-0.5, 100 * max(row.rate.high for row in rates) + 9)
axes.tick_params(colors="#98a1ad", length=0)
axes.set_xlabel("pulses that did not fire the igniter, %: exact 95 % interval, and widened for volleys", color="#98a1ad")
axes.set_title("Invented season, by lot", color="#e9e4d8", loc="left")
for side in axes.spines.values():
    side.set_visible(False)
figure.savefig(PICTURE, dpi=120)
print(f"{PICTURE} is drawn")
print(*cautions())
