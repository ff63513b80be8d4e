"""Times this crate and Python's libraries on the same delays in the same run, and prints the ratios.

10,000 intervals that are all different, and 10,000 read off frames. Turnbull against lifelines' `npmle` (SciPy and
statsmodels have no estimate for intervals); the fits against lifelines' `fit_interval_censoring` and against
scipy.optimize on a vectorised likelihood; the exact Mann-Whitney p with ties against scipy.stats.permutation_test of
9,999 random dealings, which is still not exact.

Run: python delays_compare.py (NumPy, SciPy, lifelines; cargo on the path).
"""
import multiprocessing
import os
import subprocess
import tempfile
import time

import numpy as np
from scipy import optimize, stats
from scipy.special import log_ndtr

HERE = os.path.dirname(os.path.abspath(__file__))
N = 10_000


def delays(kind):
    rng = np.random.default_rng(20310509)
    true = np.exp(rng.normal(np.log(110), 0.25, N))
    if kind == "all different":
        low, high = np.maximum(true - rng.uniform(0, 40, N), 0), true + rng.uniform(0, 40, N)
    else:
        frame = 1000 / rng.choice([30.0, 120.0, 240.0], N, p=[0.2, 0.6, 0.2])
        counted = np.floor(true / frame + rng.uniform(0, 1, N))
        low, high = np.maximum(counted - 1, 0) * frame, (counted + 1) * frame
    return np.round(low, 3), np.round(high, 3)


def ours(low, high):
    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, "delays.csv")
        with open(path, "w") as out:
            out.writelines(f"{a:.3f},{b:.3f}\n" for a, b in zip(low, high))
        call = ["cargo", "run", "-q", "--release", "-p", "embertally-stats", "--example", "delays_timed", "--", path]
        text = subprocess.run(call, cwd=HERE, check=True, capture_output=True, text=True).stdout
    return {line.split()[0]: [float(v) for v in line.split()[1:]] for line in text.splitlines()}


def once(run):
    start = time.perf_counter()
    result = run()
    return time.perf_counter() - start, result


def lifelines_turnbull(low, high):
    from lifelines.fitters.npmle import npmle

    npmle(low, high, verbose=False)


# Seconds after which the reference is stopped, and the ratio given as "at least".
PATIENCE = 60


def within(run, *arguments):
    """The seconds that a run takes, or PATIENCE and False."""
    process = multiprocessing.Process(target=run, args=arguments)
    seconds, _ = once(lambda: (process.start(), process.join(PATIENCE)))
    done = not process.is_alive()
    if not done:
        process.kill()
    return min(seconds, PATIENCE), done


def ln_likelihood(law, low, high, mu, sigma):
    with np.errstate(divide="ignore"):
        z1, z2 = (np.log(low) - mu) / sigma, (np.log(high) - mu) / sigma
    if law == "log-normal":
        flip = z1 + z2 > 0
        a, b = np.where(flip, -z1, z2), np.where(flip, -z2, z1)
        a, b = log_ndtr(a), log_ndtr(b)
        return (a + np.log(-np.expm1(b - a))).sum()
    w1, w2 = np.exp(z1), np.exp(z2)
    return (-w1 + np.log(-np.expm1(-(w2 - w1)))).sum()


def scipy_fit(law, low, high):
    y = np.log((low + high) / 2)
    f = lambda x: -ln_likelihood(law, low, high, x[0], np.exp(x[1]))
    return -optimize.minimize(f, [y.mean(), np.log(y.std())], method="BFGS").fun


def line(what, seconds, ours_seconds, agreement):
    print(f"{what:52} {seconds * 1e3:10.1f} ms {ours_seconds * 1e3:9.3f} ms {seconds / ours_seconds:9.0f} x   {agreement}", flush=True)


def main():
    from lifelines import LogNormalFitter, WeibullFitter
    print(f"{'':52} {'theirs':>13} {'ours':>12} {'ratio':>11}", flush=True)
    for kind in ("all different", "frames"):
        low, high = delays(kind)
        found = ours(low, high)
        seconds, done = within(lifelines_turnbull, low, high)
        line(f"Turnbull, lifelines npmle, {kind}", seconds, found["turnbull"][0],
             ("" if done else "at least: stopped unfinished; ") +
             f"ours has ln L {found['turnbull'][1]:.6f}, proved within {found['turnbull'][2]:.1e}")
        for law, fitter in (("log-normal", LogNormalFitter), ("weibull", WeibullFitter)):
            seconds, other = once(lambda: fitter().fit_interval_censoring(np.maximum(low, 1e-9), high))
            line(f"{law}, lifelines, {kind}", seconds, found[law][0],
                 f"ln L {found[law][1]:.6f} and {other.log_likelihood_:.6f}")
            seconds, best = once(lambda: scipy_fit(law, low, high))
            line(f"{law}, SciPy BFGS, {kind}", seconds, found[law][0], f"ln L {found[law][1]:.6f} and {best:.6f}")
    x, y = (np.repeat(np.arange(5), counts) for counts in ([3, 9, 15, 14, 9], [9, 14, 15, 9, 3]))
    statistic = lambda x, y, axis: stats.mannwhitneyu(x, y, axis=axis, method="asymptotic").statistic
    seconds, other = once(lambda: stats.permutation_test((x, y), statistic, vectorized=True, n_resamples=9_999, rng=1))
    line("Mann-Whitney, SciPy permutation_test", seconds, found["mann-whitney"][0],
         f"p {found['mann-whitney'][1]:.5f} and {other.pvalue:.5f}")


if __name__ == "__main__":
    main()
