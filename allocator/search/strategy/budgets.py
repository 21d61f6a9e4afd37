"""All shares of time of a plan, and all sizes at which its search changes its way.

A share is of the time that is left when the step begins, unless its line says otherwise; seconds
and counts are named so. *Fitted* names the sites on which a value was chosen: on others another
value may serve as well or better. Where nothing is said it is a round figure that was never
measured by itself. ``benchmarks/README.md`` has the measurements. Those of questions around a plan
are in :mod:`question_budgets`.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PlanBudgets:
    """The parts of a plan."""

    estimate_beside: float = 0.10
    """The average-flow estimate beside the best plan of a small site, in a thread of its own."""
    estimate: float = 0.45
    """The average-flow estimate after a firm plan; the rest is for the ceiling."""
    estimate_seconds: float = 0.01
    """Seconds a source without which there is no average-flow estimate."""
    beside_delay_seconds: float = 0.8
    """Seconds until what is worked out beside the best plan of a small site begins: the race for
    that plan has both cores, and is often over by then."""
    beside: float = 0.1
    """What is worked out beside the best plan of a small site, after that plan is there: a share of
    the time that it took."""
    beside_seconds: float = 0.6
    """Seconds of the same at the least."""
    best_plan: float = 0.79
    """The best plan on the firm basis; the rest is for the average-flow estimate, the ceiling and
    the average output."""
    best_plan_mean: float = 0.95
    """The best plan on the mean basis, which has no ceiling; the rest is for clean-up."""
    best_plan_priced: float = 0.72
    """The best plan where marginal values are asked for."""
    before_alternatives: float = 0.6
    """Factor on the three shares above where alternatives are asked for."""
    first_goal: float = 0.75
    """The first goal; each later one has an even share of what it leaves."""
    ceiling: float = 0.8
    """The ceiling: little is left to do after it."""
    ceiling_priced: float = 0.5
    """The ceiling where marginal values are asked for."""
    ceiling_seconds: float = 0.3
    """Seconds that the ceiling has at the least, for it is a linear program first."""
    average_output_seconds: float = 5.0
    """Seconds at most for each linear program of the average output."""
    clean_up_seconds: float = 10.0
    """Seconds at most for each step of the clean-up."""
    clean_up_least_seconds: float = 2.0
    """Seconds for a step of the clean-up however late: without it a plan may fail its audit."""
    held_goal_seconds: float = 2.0
    """Seconds at most for the linear program that says at which value a goal is held."""


@dataclass(frozen=True, slots=True)
class NarrowedBudgets:
    """Sites whose model is stated on the corridors of candidates alone."""

    pipe_columns: int = 12_000
    """Pipe columns above which a model is narrowed: its first relaxation would take too long."""
    relaxed_pipe_columns: int = 120_000
    """Pipe columns above which not even the relaxation of the whole model is stated: memory."""
    candidates: float = 0.45
    """The candidates, which decide what the narrowed model can have."""
    candidates_with_worker: float = 0.8
    """The same where the background bound worker has the bound. At 100, 300 and 1,000 sources, mean
    and firm, the narrowed model improved nothing once its candidates were repaired, which takes 1
    to 10 s; until then it had as much time as they."""
    repairing_seconds: float = 0.03
    """Seconds a source that are left after them for the narrowed model, unless they would have less
    than ``candidates`` then. At 1,000 sources, firm, its candidates are repaired in 10 s on an idle
    machine."""
    model: float = 0.35
    """The narrowed model where the bound of the whole site comes after it, in this process."""
    model_with_worker: float = 0.9
    """The narrowed model where the background bound worker has the bound."""
    least_seconds: float = 1.0
    """Seconds that the narrowed model has at the least, and the bound after it must have."""
    accepting: float = 0.3
    """One goal of a candidate that is accepted as a first plan, and its clean-up."""
    accepting_seconds: float = 20.0
    """Seconds at most for the same."""
    accepting_again: float = 10.0
    """Times what a first plan took that pass before the next one: a tenth of the time for them."""


@dataclass(frozen=True, slots=True)
class GoalBudgets:
    """The search for one goal."""

    existing_assets: float = 0.2
    """The plan with nothing new, the first one wherever it is one."""
    warm_start: float = 0.2
    """The plan that the user gave."""
    warm_start_pipes: float = 0.1
    """What the pipes of the warm start allow; also the warm start again in a later goal."""
    earlier_plan: float = 0.2
    """A later goal: the plan of the earlier ones, and its re-dispatch."""
    built_on: float = 0.4
    """A later goal: more built beside all that is built. The largest gain of the first steps."""
    pipes_laid: float = 0.3
    """A later goal: all but the pipes decided again."""
    later_step: float = 0.05
    """Share of the time limit of the run that a later goal has for each of its first steps.

    A machine that stood still during the first goal would otherwise cost all backup.
    """
    built_on_step: float = 0.1
    """The same for ``built_on``. Fitted to `networks/harbour_capacities.yaml` on a busy machine."""
    relaxation: float = 0.3
    """The linear relaxation of the aggregated model."""
    integer_model: float = 0.35
    """The integer model where no path search does its work.

    Fitted to twelve published fixed-charge networks: with 0.08 two were not proven in 100 s.
    """
    integer_model_later: float = 0.08
    """The same in a later goal of a site with a path search: candidates are known."""
    integer_model_wide_gap: float = 0.7
    """The integer model on the mean basis where the multicommodity relaxation leaves a wide gap.

    Fitted to a generated site of 20 sources, which is so proven in 25 s.
    """
    wide_gap: float = 0.08
    """Gap above which that is tried. Fitted to the same site."""
    integer_model_half: float = 0.5
    """The integer model with the bound in the background; then neighbourhoods."""
    integer_model_small: float = 0.85
    """The same where there is no path search at all. Fitted to two published networks that HiGHS
    proves in 13 s: with a half they were open after 25 s."""
    integer_rounds: int = 50
    """Solves of the integer model while store cuts are new."""
    multicommodity: float = 0.4
    """The multicommodity relaxation after a path search, which found what can be found."""
    multicommodity_short: float = 0.3
    """The same where neighbourhoods come after it."""
    multicommodity_integer: float = 0.35
    """The multicommodity integer model before neighbourhoods."""
    neighbourhoods_until: float = 0.8
    """Share of the goal's time until which neighbourhoods are searched; the rest is for proof."""
    neighbourhoods_until_later: float = 0.5
    """The same in a later goal of a site with a path search."""
    neighbourhood: float = 0.1
    """One neighbourhood."""
    neighbourhoods: int = 40
    """Neighbourhoods at most for one goal."""
    last_digits: float = 0.2
    """The refinement of a point before it counts as best."""
    repair: float = 0.2
    """The best amounts for the integers of a candidate."""
    repair_at_once: float = 0.1
    """The same while the path search waits for it."""
    repair_near: float = 0.3
    """The same of a point that a small integer program found; that program, for a candidate."""
    repair_candidate: float = 0.5
    """The same of a candidate whose pipes are fixed."""
    near_rounds: int = 3
    """Times that the best point near another is looked for, where cuts undo what was found."""
    least_seconds: float = 0.05
    """Seconds that any step has."""
    interrupted_seconds: float = 5.0
    """Seconds for a last repair after the user ended the search."""


@dataclass(frozen=True, slots=True)
class CandidateBudgets:
    """The candidate pool: path search, fix and repair."""

    sources: int = 12
    """Sources below which there is none: the integer model is closed by itself."""
    steady_sources: int = 18
    """The same where all sources are steady: HiGHS proves 16 of them in seconds."""
    pressed_sources: int = 8
    """The same where pressures count, for then HiGHS finds no good plan of such sites by itself."""
    many_sources: int = 60
    """Sources above which the path search has the larger share."""
    search: float = 0.2
    """The path search. Fitted to three generated sites of 40 sources, with a quarter before."""
    search_many: float = 0.45
    """The path search above ``many_sources``, where nothing else finds as good plans."""
    search_with_worker: float = 0.4
    """The path search at the least where the background worker has the bound."""
    crowded: float = 1.5
    """Processes to a core from which on the path search runs uncompiled until it is compiled."""
    uncompiled: float = 0.01
    """Share by which a candidate of the uncompiled path search must be ahead of the best plan."""
    compiling: float = 0.05
    """Waiting until the path search is compiled; after that other phases begin."""
    overrun: float = 0.15
    """Share of the goal's time, beyond that of the search, in which candidates are repaired."""
    corridors: float = 0.06
    """The small integer program on the corridors of all candidates, at first."""
    corridors_again: float = 0.4
    """One solve of it once no more candidates come. At 40/80/6, firm, 12 candidates have some 20
    corridors together; the best plan on them, in no candidate at times, takes 1 to 4 s of a core,
    and the whole integer model, which has the time after it, improves nothing."""
    opened: int = 6
    """Candidates on whose ways builds and boosters are decided again, where pressures count."""
    open_builds: float = 0.15
    """One solve of that."""
    open_builds_gap: float = 5e-3
    """Gap to which it is solved."""
    tangents: tuple[float, ...] = (0.15, 0.5, 0.65, 0.8, 0.9)
    """Flows, as shares of the most that a build can carry, at which tangents of the losses are
    stated for that: fewer solves then end in points whose pressures are not enough."""
    open_builds_overrun: float = 0.2
    """Share of the goal's time, beyond ``overrun``, in which they are."""
    resumed: float = 0.5
    """A path search that goes on, at a time."""
    resumed_until: float = 0.8
    """Share of the goal's time until which it goes on."""
    resumed_repair: float = 0.1
    """Share of the goal's time for the repair of what it has found."""
    moves: int = 200
    """Moves of a start where nodes, not seconds, are limited: keeps such runs short."""
    repair_rounds: int = 4
    """Solves of one candidate while store cuts are new."""
    repaired: int = 4
    """Candidates that are repaired after a run of the path search."""
    repaired_others: int = 12
    """Candidates with other machines that are repaired after them, where the search misjudges.

    Fitted to `networks/harbour_capacities.yaml`: the best plan came from the 21st candidate.
    """


@dataclass(frozen=True, slots=True)
class RaceBudgets:
    """The race for a small site (:mod:`allocator.search.race`)."""

    flows: int = 5_000
    """Flow variables up to which a linear program by origin takes a part of a second."""
    delay_seconds: float = 0.2
    """Seconds until the second runner begins: by then HiGHS has settled the smallest sites."""
    repair: float = 0.1
    """The repair of integers that the formulation by origin finds."""


@dataclass(frozen=True, slots=True)
class BoundBudgets:
    """The bound: multicommodity formulation, path columns, cutoffs, background worker."""

    worker: float = 0.96
    """Share of the time of the run after which the background worker ends: its last bound must
    still arrive."""
    worker_delay_seconds: float = 3.0
    """Seconds until it begins on a small site: its second core has other work, and the integer
    model may have ended by then."""
    worker_delay: float = 0.25
    """The same as a share of the time of the run, at the most."""
    worker_seconds: float = 2.0
    """Seconds without which it would find no bound and is not begun."""
    worker_least_seconds: float = 0.3
    """Seconds that must be left for it to begin anything."""
    worker_idle: int = 2
    """Cutoffs in a row that may improve nothing before it ends."""
    first_columns: float = 0.06
    """The path columns before the flows that a first cutoff leaves are counted for the first time:
    often few enough are left by then."""
    without_pressures: float = 0.12
    """The path columns of the site without its pressures, where they count: then the aggregated
    integer model with them has the rest."""
    carried_builds: int = 25_000
    """Flows by origin and build up to which what friction takes is stated by origin."""
    choices: int = 8
    """Choices of the nodes at which boosters run up to which each has a relaxation of its own."""
    aggregated_root: float = 0.05
    """The relaxation of that model with its lazy cuts."""
    look_seconds: float = 0.2
    """Seconds between two looks whether the path search is compiled, which serves both."""
    compiling_seconds: float = 60.0
    """Seconds at most of that waiting."""
    flows: int = 10_000
    """Flow variables up to which all are stated at once; above, path columns come first."""
    stated_flows: int = 40_000
    """Flow variables that are left, up to which they are stated for the integer model."""
    multipliers: int = 4_000_000
    """Origins times pipes above which there is no multicommodity bound: memory."""
    carrying_sources: int = 60
    """Sources above which that bound comes first, before the path columns."""
    carried: int = 400_000
    """Sources times ends above which there is none: memory."""
    carrying: float = 0.8
    """That bound at most, where path columns come after it: it ends by itself on most sites."""
    stepped_weights: int = 800_000
    """Weights of links by origin above which that bound begins with subgradient steps: turns of its
    program on paths take many seconds."""
    stepped: float = 0.97
    """Those steps, of the time of that bound, at most: where they still improve it then, there is
    no program on paths, whose turns take ten seconds at 1,000 generated sources."""
    steps: int = 60
    """Subgradient steps in a turn; four times as many where turns improve little."""
    first_target: float = 0.95
    """How far those steps lead in the first turn, as a share of the value. With 2.0 the bound of
    1,000 generated sources falls faster, and then no more."""
    target_falls: float = 0.9
    """The same in a turn, as a share of the turn before it."""
    least_target: float = 0.05
    """The same at the least. With 0.2 the bound of 1,000 generated sources stayed where it was
    after 55 s; with this it still fell after 66 s."""
    stepped_better: float = 1e-3
    """Share of the bound that a turn of steps must improve it by, or it counts as idle."""
    stepped_idle: int = 12
    """Idle turns of steps in a row after which they end."""
    idle_rows: int = 6
    """Carrying rows without a price from which on these are taken away while there are steps."""
    stepped_turns: int = 20
    """Turns of steps at most where no time is set."""
    carrying_better: float = 2e-4
    """Share of the bound that a turn must improve it by, or it counts as idle."""
    carrying_idle: int = 12
    """Idle turns in a row after which it ends."""
    carrying_turns: int = 25
    """Turns at most where no time is set."""
    carrying_cuts: int = 3
    """Solves in a turn while store cuts are new."""
    part_columns: int = 3_000
    """Columns of a part of a site up to which its integer program is asked."""
    part_nodes: int = 1_000
    """Nodes of the solver for it."""
    part_share: float = 0.15
    """All of them, once the cases are relaxed for the first time."""
    case_flows: int = 40
    """Flows an origin up to which the first integer program of a case is stated for a cutoff."""
    case_fewer: float = 0.7
    """Factor on that number after a program that was not proven in its nodes, which takes some 10 s
    at 100 sources."""
    case_regained: float = 0.95
    """That number is divided by this after a program that was proven."""
    case_share: float = 0.05
    """Share of what an origin sends that an arc must be able to have of it, to be stated there."""
    case_depth: float = 0.006
    """Depth of the first cutoff of cases, as a share of their bound."""
    case_tries: int = 6
    """Cutoffs that are looked at for the deepest with as few flows."""
    case_nodes: int = 40
    """Nodes of the solver for one case: where it needs more, the case is split."""
    case_choices: int = 6
    """Pipes that are looked at before the first case is split."""
    case_known: int = 2
    """Pipes that are looked at again before a case is split, those that gained most before."""
    case_new: int = 1
    """Pipes that are looked at beside them for the first time."""
    case_steps: int = 150
    """Steps of the simplex method for each part of a split that is looked at, under pressure."""
    case_columns: int = 10_000
    """Columns above which cases under pressure are split by pipes and whole numbers: the integer
    program of smaller ones is faster."""
    case_looks: int = 6
    """Turns at most of the carrying rows of a case, to compare splits."""
    case_turns: int = 10
    """The same for the two cases of the split that is chosen."""
    patient_rounds: int = 20
    """Rounds in a row that may improve little where nothing else is left to do."""
    least_seconds: float = 0.1
    """Seconds that a solve for the bound has at the least, and without which none begins."""
    root: float = 0.5
    """The relaxation of the multicommodity integer model, of that model's time."""
    check_plan: float = 0.2
    """The check that the formulation holds the known plan, of the time of a cutoff."""
    cutoff: float = 0.9
    """Share of the time that is left for which the next cutoff is chosen."""
    first_depth: float = 0.42
    """Depth of the first cutoff: 0 is the bound of the relaxation, 1 the plan.

    This and the next one are fitted to generated sites of 40 sources and
    `networks/harbour_capacities.yaml`.
    """
    first_depth_probed: float = 0.7
    """The same where builds are probed before. 40/80/6, firm, two seeds, at 0.7 and 0.72: 17 and 48
    s of a core."""
    doubling: float = 0.08
    """Depth that takes twice the time to prove."""
    least_step: float = 0.04
    """Depth that the next cutoff is deeper, at the least."""
    most_step: float = 0.4
    """The same at the most."""
    beyond: float = 0.4
    """Share of the way from a cutoff to the plan for which flows are stated beyond it."""
    probed_depth: float = 0.4
    """Depth of the first cutoff that is asked after them: 0 is the bound of what they left."""
    probing_cuts: int = 3
    """Rounds of cuts of a relaxation between probes."""
    probing_steps: int = 500
    """Steps of the simplex method for one probe at the most."""
    probing_batch: int = 5
    """Builds that are shut by probes before the relaxation is solved again."""
    probing_near: float = 0.7
    """Share of what is left to the cutoff that a build must be expected to lose to be probed."""
    probing_smaller: float = 0.85
    """Share of the flows that are left from which on the relaxation is stated anew."""
    guess: float = 0.06
    """Share of the bound that a cutoff lies below it, where no plan is known yet."""
    near: float = 0.01
    """Gap below which the next cutoff is as near the plan as was asked."""


PLAN = PlanBudgets()
NARROWED = NarrowedBudgets()
GOAL = GoalBudgets()
CANDIDATES = CandidateBudgets()
BOUND = BoundBudgets()
RACE = RaceBudgets()
