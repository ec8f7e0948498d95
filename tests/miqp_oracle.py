"""The search's problem put to a general solver: SCIP, through pyscipopt."""

from __future__ import annotations

import numpy as np
from pyscipopt import Model, quicksum


def solve(design, target, low, high, most, start=None, seconds=None, work=None):
    """Return (x, cost, proven) of min |design x + target|^2 over whole x, at most `most` entries not 0.

    The square is given as one convex constraint over the residuals, which SCIP handles better
    than the multiplied-out form; whether an entry is used is a binary linked by its bounds.
    """
    n = design.shape[1]
    model = Model()
    model.hideOutput()
    model.setParam("parallel/maxnthreads", 1)
    model.setParam("lp/threads", 1)
    model.setParam("limits/gap", 1e-9)
    if seconds is not None:
        model.setParam("limits/time", seconds)
    x = [model.addVar(vtype="I", lb=int(low[j]), ub=int(high[j])) for j in range(n)]
    used = [model.addVar(vtype="B") for _ in range(n)]
    rest = [model.addVar(lb=None) for _ in range(len(design))]
    total = model.addVar(lb=0.0)
    for j in range(n):
        model.addCons(x[j] <= int(high[j]) * used[j])
        model.addCons(x[j] >= int(low[j]) * used[j])
    for row, t, r in zip(design, target, rest, strict=True):
        model.addCons(quicksum(float(v) * x[j] for j, v in enumerate(row)) + float(t) == r)
    model.addCons(quicksum(r * r for r in rest) <= total)
    model.addCons(quicksum(used) <= most)
    if work is not None:  # (Work, most of it): minutes of entries, and of opening each place
        effort, room = work
        opened = {int(p): model.addVar(vtype="B") for p in np.unique(effort.place)}
        for j in range(n):
            model.addCons(used[j] <= opened[int(effort.place[j])])
        minutes = quicksum(float(w) * u for w, u in zip(effort.entry, used, strict=True))
        model.addCons(minutes + effort.opening * quicksum(opened.values()) <= room)
    model.setObjective(total, "minimize")
    if start is not None:
        solution = model.createSol()
        value = design @ start + target
        for j in range(n):
            model.setSolVal(solution, x[j], float(start[j]))
            model.setSolVal(solution, used[j], float(start[j] != 0))
        for r, v in zip(rest, value, strict=True):
            model.setSolVal(solution, r, float(v))
        model.setSolVal(solution, total, float(value @ value) * (1 + 1e-9) + 1e-9)
        model.addSol(solution)
    model.optimize()
    best = np.array([round(model.getVal(v)) for v in x])
    return best, float(np.sum((design @ best + target) ** 2)), model.getStatus() in ("optimal", "gaplimit")
