"""Times what other programs take for the same decompositions, change points and posterior, and prints their results.

Arguments: folder of the series (one number a line), price of a change, hazard. A line each: name, seconds, numbers, separated
by tabs.
"""

import math
import sys
import time
from pathlib import Path

import numpy as np
import ruptures
import statsmodels
from statsmodels.tsa.seasonal import MSTL, STL

RUNS = 5


def least(work, runs=RUNS):
    """Least time of a core that several runs took, and the result."""
    best = math.inf
    for _ in range(runs):
        begun = time.process_time()
        result = work()
        best = min(best, time.process_time() - begun)
    return best, result


def tell(name, seconds, numbers):
    print(name, repr(float(seconds)), *(repr(float(x)) for x in numbers), sep="\t")


def bocpd(values, hazard):
    """Posterior over all run lengths (Adams and MacKay 2007), normal-inverse-gamma prior with mean 0 and all else 1."""
    n = len(values)
    alpha = 1.0 + np.arange(n + 1) / 2.0
    kappa = 1.0 + np.arange(n + 1)
    constant = np.array([math.lgamma(a + 0.5) - math.lgamma(a) - 0.5 * math.log(math.pi) for a in alpha])
    weight, mean, beta = np.ones(1), np.zeros(1), np.ones(1)
    told = np.empty((n, 2))
    for t, x in enumerate(values):
        a, k = alpha[: t + 1], kappa[: t + 1]
        off = x - mean
        scale = 2.0 * beta * (k + 1.0) / k
        density = np.exp(constant[: t + 1] - 0.5 * np.log(scale) - (a + 0.5) * np.log1p(off * off / scale))
        joint = weight * density
        weight = np.concatenate(([hazard * joint.sum()], (1.0 - hazard) * joint))
        weight /= weight.sum()
        beta = np.concatenate(([1.0], beta + k * off * off / (2.0 * (k + 1.0))))
        mean = np.concatenate(([0.0], (k * mean + x) / (k + 1.0)))
        most = int(weight.argmax())
        told[t] = most, weight[most]
    return told.ravel()


def main():
    folder, price, hazard = Path(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3])
    hours, rows, blocks = (np.loadtxt(folder / name) for name in ("hours", "rows", "blocks"))
    versions = f"Python {sys.version.split()[0]}, numpy {np.__version__}, "
    versions += f"statsmodels {statsmodels.__version__}, ruptures {ruptures.__version__}"
    print("versions", versions, sep="\t")

    seconds, fit = least(lambda: STL(hours, period=24).fit())
    tell("STL: 672 hours, period 24", seconds, np.concatenate((fit.seasonal, fit.trend)))

    seconds, fit = least(lambda: MSTL(hours, periods=(24, 168)).fit())
    seasons = [fit.seasonal[:, 0], fit.seasonal[:, 1]]
    tell("MSTL: 672 hours, periods 24 and 168", seconds, np.concatenate((*seasons, fit.trend)))

    seconds, found = least(lambda: ruptures.Pelt(model="l2", min_size=2, jump=1).fit_predict(rows, pen=price), 2)
    tell("PELT: 1,000 rows of eight levels", seconds, found[:-1])

    seconds, told = least(lambda: bocpd(blocks, hazard), 2)
    tell("BOCPD: 2,880 blocks with three steps", seconds, told)


if __name__ == "__main__":
    main()
