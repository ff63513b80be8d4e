#!/usr/bin/env python3
"""Times the crate against SciPy and statsmodels on the same input, in the same run, and prints the ratios.

    pip install numpy scipy statsmodels
    cargo build --release -p embertally-stats --example timing
    python3 compare.py ../../../target/release/examples/timing

The beta-binomial task is the fit with the profile interval of the correlation. statsmodels has no penalised logistic
fit: its plain binomial GLM is timed, which does less, and Firth's in numpy, which does the same.
"""

import json
import subprocess
import sys
import time

import numpy as np
import statsmodels.api as sm
from scipy.optimize import brentq, minimize, minimize_scalar
from scipy.special import betaln, expit
from scipy.stats import binomtest, fisher_exact

MASK = (1 << 64) - 1


def mixed(n):
    z = n * 0x9E3779B97F4A7C15 & MASK
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9 & MASK
    return z ^ (z >> 31)


def least(runs, pieces, task):
    best = float("inf")
    for _ in range(runs):
        begun = time.perf_counter_ns()
        task()
        best = min(best, (time.perf_counter_ns() - begun) / pieces)
    return best


counts = [(mixed(n) % 20, 20 + mixed(n + 9) % 200) for n in range(200)]
exact = least(3, 200, lambda: [binomtest(x, n).proportion_ci(0.95, "exact") for x, n in counts])
tables = [(mixed(n) % 20, 20 + mixed(n + 1) % 80, mixed(n + 2) % 20, 20 + mixed(n + 3) % 80) for n in range(200)]
fisher = least(3, 200, lambda: [fisher_exact([[a, n - a], [c, m - c]]) for a, n, c, m in tables])
x = np.array([mixed(n + 1) % 8 if mixed(n) % 5 == 0 else 0 for n in range(200)])


def log_likelihood(t):
    mu, rho = expit(t)
    s = (1 - rho) / rho
    return -np.sum(betaln(mu * s + x, (1 - mu) * s + 10 - x) - betaln(mu * s, (1 - mu) * s))


def fit_and_profile():
    top = minimize(log_likelihood, [-2.0, -1.0], method="BFGS")

    def below(t):
        return minimize_scalar(lambda m: log_likelihood(np.array([m, t])), bracket=(-3, -1)).fun - top.fun - 1.92

    return brentq(below, top.x[1] - 4, top.x[1]), brentq(below, top.x[1], top.x[1] + 4)


beta = least(3, 1, fit_and_profile)
values = np.array([[1.0 if t == 0 else (mixed(g * 31 + t) % 1000) / 500 - 1 for t in range(10)] for g in range(500)])
y = np.array([mixed(g) % 2 for g in range(500)])
response = np.column_stack([y, 50 - y])
glm = least(3, 1, lambda: sm.GLM(response, values, family=sm.families.Binomial()).fit())


def firth():
    b = np.zeros(10)
    for _ in range(100):
        p = expit(values @ b)
        w = 50 * p * (1 - p)
        inverse = np.linalg.inv(values.T @ (w[:, None] * values))
        h = w * np.einsum("ij,jk,ik->i", values, inverse, values)
        step = inverse @ (values.T @ (y - 50 * p + h * (0.5 - p)))
        b = b + step
        if np.abs(step).max() < 1e-10:
            return b
    raise RuntimeError("not converged")


in_numpy = least(3, 1, firth)
ours = json.loads(subprocess.run([sys.argv[1]], capture_output=True, text=True, check=True).stdout)
for name, theirs in [("exact", exact), ("fisher", fisher), ("beta_binomial", beta), ("firth", glm), ("firth", in_numpy)]:
    print(f"{name:14} ours {ours[name] / 1e3:9.1f} us   theirs {theirs / 1e3:9.1f} us   ratio {theirs / ours[name]:7.1f}")
