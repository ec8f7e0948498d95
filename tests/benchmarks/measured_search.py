"""The search beside SCIP, beside greedy addition and beside rounded relaxations."""

from __future__ import annotations

import itertools
import math
import time
from statistics import median

import numpy as np
from miqp_oracle import solve
from pyscipopt import Model, quicksum
from whole_step_problems import invented_rotor_problem

from trackbal.search import box_qp
from trackbal.search.search import search

MOST = 6
SCIP_SECONDS = 120.0  # for each count
TRIALS = 2  # problems of a family on which both of SCIP's forms are tried
ROUNDED = 300  # relaxed minima that are rounded
SAME_OPTIMUM = 1e-6

SEVEN = {"blades": 7, "kinds": ("weight", "weight", "link", "tab")}
EIGHT = {"blades": 8, "kinds": ("weight", "weight", "link", "tab", "tab")}
FAMILIES = {
    "7 blades, 4 adjusters, loose": (SEVEN | {"tight": False}, 2.0),
    "7 blades, 4 adjusters, tight": (SEVEN | {"tight": True}, 2.0),
    "8 blades, 5 adjusters, loose": (EIGHT | {"tight": False}, 4.0),
    "8 blades, 5 adjusters, tight": (EIGHT | {"tight": True}, 4.0),
}


def problems(options, count):
    return [invented_rotor_problem(seed, regimes=5, sensors=3, **options) for seed in range(count)]


def clocked(work):
    """Return (wall time, processor time of all threads) of a call, and its result."""
    wall, cpu = time.perf_counter(), time.process_time()
    result = work()
    return (time.perf_counter() - wall, time.process_time() - cpu), result


def our_ladder(problem, repeats=3):
    """Return (solutions, least wall time, least processor time) over repeats."""
    calls = [clocked(lambda: search(*problem.arguments, MOST)) for _ in range(repeats)]
    return calls[-1][1], min(t[0] for t, _ in calls), min(t[1] for t, _ in calls)


def solve_plain(problem, most, start, seconds):
    """Return (x, cost, proven) from SCIP with the cost multiplied out: x'Gx + 2g'x + c."""
    quad, lin, constant, low, high, _ = problem.arguments
    model = Model()
    model.hideOutput()
    model.setParam("parallel/maxnthreads", 1)
    model.setParam("lp/threads", 1)
    model.setParam("limits/gap", 1e-9)
    model.setParam("limits/time", seconds)
    n = len(lin)
    x = [model.addVar(vtype="I", lb=int(low[j]), ub=int(high[j])) for j in range(n)]
    used = [model.addVar(vtype="B") for _ in range(n)]
    total = model.addVar(lb=None)
    for j in range(n):
        model.addCons(x[j] <= int(high[j]) * used[j])
        model.addCons(x[j] >= int(low[j]) * used[j])
    squares = quicksum(
        float(quad[i, j] * (1 if i == j else 2)) * x[i] * x[j] for i in range(n) for j in range(i, n) if quad[i, j]
    )
    model.addCons(squares + quicksum(2.0 * float(lin[j]) * x[j] for j in range(n)) <= total)
    model.addCons(quicksum(used) <= most)
    model.setObjective(total + constant, "minimize")
    if start is not None:
        solution = model.createSol()
        for j in range(n):
            model.setSolVal(solution, x[j], float(start[j]))
            model.setSolVal(solution, used[j], float(start[j] != 0))
        value = float(start @ quad @ start + 2 * lin @ start)
        model.setSolVal(solution, total, value + 1e-9 * (1 + abs(value)))
        model.addSol(solution)
    model.optimize()
    best = np.array([round(model.getVal(v)) for v in x])
    return best, problem.cost(best), model.getStatus() in ("optimal", "gaplimit")


def solve_residuals(problem, most, start, seconds):
    """Return (x, cost, proven) from SCIP with the cost as a cone over the residuals."""
    return solve(problem.design, problem.target, problem.low, problem.high, most, start, seconds=seconds)


FORMS = {"residuals": solve_residuals, "multiplied out": solve_plain}


def scip_ladder(form, problem, most=MOST, seconds=SCIP_SECONDS):
    """Return (costs, proven, times) of each count; every count starts from the best of the one before."""
    start, costs, proven, taken = None, [], [], []
    for m in range(most + 1):
        times, (start, cost, done) = clocked(lambda m=m, start=start: FORMS[form](problem, m, start, seconds))
        taken.append(times)
        costs.append(cost)
        proven.append(done)
    return costs, proven, np.array(taken)


def faster_form(family):
    """Return (form, seconds by form) of SCIP's faster one on a few problems of a family."""
    seconds = dict.fromkeys(FORMS, 0.0)
    for problem in family[:TRIALS]:
        _, _, taken = scip_ladder("residuals", problem)
        # a count that takes the other form three times as long as the longest here is cut short: it has lost
        _, _, other = scip_ladder("multiplied out", problem, seconds=max(5.0, 3.0 * taken[:, 0].max()))
        seconds["residuals"] += taken[:, 0].sum()
        seconds["multiplied out"] += other[:, 0].sum()
    return min(seconds, key=seconds.get), seconds


def against_scip(count, say):
    """Return the Markdown tables of the search's time, alone and beside SCIP."""
    rows, trials = [], []
    for name, (options, target) in FAMILIES.items():
        family = problems(options, count)
        form, seconds = faster_form(family)
        trials.append(f"| {name} | {seconds['residuals']:.1f} | {seconds['multiplied out']:.1f} | {form} |")
        ours, ratios, unproven, limited, differing = [], [], 0, 0, 0
        for seed, problem in enumerate(family):
            solutions, *own = our_ladder(problem)
            costs, proven, taken = scip_ladder(form, problem)
            ours.append(own[0])
            ratios.append(taken.sum(axis=0) / own)
            unproven += sum(not s.proven for s in solutions)
            limited += sum(not p for p in proven)
            pairs = zip(solutions, costs, proven, strict=True)
            differing += sum(p and not math.isclose(s.cost, c, rel_tol=SAME_OPTIMUM) for s, c, p in pairs)
            say(f"{name}, problem {seed}: ours {own[0]:.3f} s, SCIP {taken[:, 0].sum():.1f} s, {ratios[-1].round()}")
        (wall, cpu), least, most = np.median(ratios, axis=0), np.min(ratios, axis=0), np.max(ratios, axis=0)
        rows.append(
            f"| {name} | {median(ours):.3f} | {min(ours):.3f} to {max(ours):.3f} | {target:g} "
            f"| {wall:.0f} | {least[0]:.0f} to {most[0]:.0f} | {cpu:.0f} | {unproven} | {limited} | {differing} |"
        )
    head = (
        "| rotor and bounds | median, s | range, s | target, s | SCIP takes, times (median) | range "
        "| in processor time (median) | ours not proven | SCIP at its limit | optima that differ |\n"
        "|---|---|---|---|---|---|---|---|---|---|"
    )
    forms = "| rotor and bounds | residuals, s | multiplied out, s | taken |\n|---|---|---|---|"
    return "\n".join([head, *rows]), "\n".join([forms, *trials])


# ---- yardsticks that prove nothing --------------------------------------------------------


def best_on(problem, support):
    """Return the least cost with changes on a support only."""
    quad, lin, constant, low, high, group = problem.arguments
    pick = np.array(support)
    return search(quad[np.ix_(pick, pick)], lin[pick], constant, low[pick], high[pick], group[pick], len(pick))[-1].cost


def greedy_costs(problem):
    """Return the cost of each count when entries are added one at a time, all amounts chosen anew each time."""
    chosen, costs = [], [problem.cost(np.zeros(len(problem.low)))]
    for _ in range(MOST):
        free = [j for j in range(len(problem.low)) if j not in chosen and problem.low[j] < problem.high[j]]
        cost, entry = min((best_on(problem, [*chosen, j]), j) for j in free)
        chosen.append(entry)
        costs.append(cost)
    return costs


def rounded_costs(problem):
    """Return the cost of each count when the best few hundred minima inside the box, relaxed, are rounded."""
    quad, lin, constant, low, high, _ = problem.arguments
    movable = np.flatnonzero(low < high)
    costs = [problem.cost(np.zeros(len(low)))]
    for m in range(1, MOST + 1):
        supports = movable[np.array(list(itertools.combinations(range(len(movable)), m)))].T
        kept = []
        for part in np.array_split(supports, max(1, supports.shape[1] // 50_000), axis=1):
            batch = box_qp.gather(quad, lin, constant, part)
            x, bound, _ = box_qp.solve_box(batch, low[part].astype(float), high[part].astype(float), constant)
            first = np.argsort(bound)[:ROUNDED]
            kept.append((part[:, first], x[:, first], bound[first]))
        support, x, bound = (np.concatenate(a, axis=-1) for a in zip(*kept, strict=True))
        best = costs[-1]
        for k in np.argsort(bound)[:ROUNDED]:
            whole = np.zeros(len(low))
            whole[support[:, k]] = np.clip(np.rint(x[:, k]), low[support[:, k]], high[support[:, k]])
            best = min(best, problem.cost(whole))
        costs.append(best)
    return costs


def yardsticks(count, say):
    """Return the Markdown table of how much worse greedy addition and rounding are than the optimum."""
    rows = []
    for name, way, families in (
        ("greedy addition", greedy_costs, FAMILIES),
        (f"best {ROUNDED} relaxed minima, rounded", rounded_costs, dict(list(FAMILIES.items())[:2])),
    ):
        for family, (options, _) in families.items():
            excess = []
            for problem in problems(options, count):
                optimum = np.array([s.cost for s in search(*problem.arguments, MOST)])
                excess.append(np.array(way(problem)) / optimum - 1.0)
            excess = 100.0 * np.array(excess)[:, 1:]
            cells = [f"{np.median(e):.1f} ({e.max():.1f}; {np.sum(e > 1e-4)})" for e in np.maximum(excess, 0.0).T]
            rows.append(f"| {name} | {family} | {' | '.join(cells)} |")
            say(rows[-1])
    counts = " | ".join(f"m = {m}" for m in range(1, MOST + 1))
    return "\n".join([f"| way | rotor and bounds | {counts} |", "|---|---|" + "---|" * MOST, *rows])
