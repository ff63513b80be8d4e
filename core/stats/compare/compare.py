#!/usr/bin/env python3
"""Times the crate against SciPy and statsmodels on the same input, in the same run, and prints the ratios.

    pip install numpy scipy statsmodels
    cargo build --release -p embertally-stats --example timing
    python3 compare.py ../../../target/release/examples/timing

The beta-binomial task is the fit with the profile interval of the correlation. statsmodels has no penalised logistic
fit: its plain binomial GLM is timed, which does less, and Firth's in numpy, which does the same. `firth_whole` is the
whole answer that the tool prints: the fit, a profile interval and a likelihood-ratio test for each of nine terms. Against
it stand the same in numpy (profiles by modified scoring with one term held, ends by brentq), and of the plain GLM what
statsmodels has: the fit and nine refits for the tests, without any profile interval.
"""

import json
import subprocess
import sys
import time

import numpy as np
import statsmodels.api as sm
from scipy.optimize import brentq, minimize, minimize_scalar
from scipy.special import betaln, expit
from scipy.stats import binomtest, chi2, fisher_exact

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


def penalised(b):
    eta = values @ b
    w = 50 * expit(eta) * expit(-eta)
    return np.sum(y * eta - 50 * np.logaddexp(0, eta)) + np.linalg.slogdet(values.T @ (w[:, None] * values))[1] / 2


def held(start, term, value):
    """The top with one term held, by modified scoring; each profile starts from the last one."""
    b, free = start.copy(), [t for t in range(10) if t != term]
    b[term] = value
    for _ in range(100):
        p = expit(values @ b)
        w = 50 * p * (1 - p)
        information = values.T @ (w[:, None] * values)
        h = w * np.einsum("ij,jk,ik->i", values, np.linalg.inv(information), values)
        score = values.T @ (y - 50 * p + h * (0.5 - p))
        step = np.linalg.solve(information[np.ix_(free, free)], score[free])
        b[free] += step
        if np.abs(step).max() < 1e-10:
            return b
    raise RuntimeError("not converged")


def firth_whole():
    b = firth()
    top, found = penalised(b), []
    p = expit(values @ b)
    se = np.sqrt(np.diag(np.linalg.inv(values.T @ ((50 * p * (1 - p))[:, None] * values))))
    for term in range(1, 10):
        below = lambda v: penalised(held(b, term, v)) - top + 1.920729
        for side in (-1, 1):
            found.append(brentq(below, b[term], b[term] + side * 3 * se[term], xtol=1e-9))
        found.append(chi2.sf(2 * (top - penalised(held(b, term, 0.0))), 1))
    return found


def glm_whole():
    fit = sm.GLM(response, values, family=sm.families.Binomial()).fit()
    drop = lambda t: sm.GLM(response, np.delete(values, t, 1), family=sm.families.Binomial()).fit().llf
    return fit.conf_int(), [chi2.sf(2 * (fit.llf - drop(t)), 1) for t in range(1, 10)]


whole, whole_glm = least(2, 1, firth_whole), least(2, 1, glm_whole)
ours = json.loads(subprocess.run([sys.argv[1]], capture_output=True, text=True, check=True).stdout)
for name, theirs in [("exact", exact), ("fisher", fisher), ("beta_binomial", beta), ("firth", glm), ("firth", in_numpy),
                     ("firth_whole", whole_glm), ("firth_whole", whole)]:
    print(f"{name:14} ours {ours[name] / 1e3:9.1f} us   theirs {theirs / 1e3:9.1f} us   ratio {theirs / ours[name]:7.1f}")
