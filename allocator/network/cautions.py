"""What a crew must not forget on a site like this one: depends on the site file alone."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from allocator.network.deriving import network_of
from allocator.network.records import Network
from allocator.site.chambers import below_ambient
from allocator.site.fluid_words import TARRY, among, is_named, is_pure, words_in, words_of
from allocator.site.records import POWER, Fluid, MachineType, Site, Source

HOT = 333.15
"""60 C: about the surface temperature at which bare metal burns skin within 5 s of touch.

The usual design figure beside ASTM C1055 (from memory)."""

EXISTING = (
    "Local codes and licensed practitioners decide. This plan is arithmetic about flows, "
    "materials and time; it is no design approval and no work permit."
)

_Rule = tuple[Callable[[Network], bool], str]


def cautions_for(site: Site) -> tuple[str, ...]:
    """The cautions that apply to a site: what a crew must not forget on one like it.

    Parameters
    ----------
    site
        The site.

    Returns
    -------
    tuple of str
        In a fixed order; the last one is always the same.

    Examples
    --------
    >>> import allocator as al
    >>> cautions = al.cautions_for(al.read_site("networks/first.yaml"))
    >>> cautions[-1]
    'Local codes and licensed practitioners decide. This plan is arithmetic about flows, materials
    and time; it is no design approval and no work permit.'
    """
    network = network_of(site)
    return (*(text for applies, text in _RULES if applies(network)), EXISTING)


def _fluids_of(site: Network) -> list[Fluid]:
    """Every fluid that somebody on the site gives, takes, keeps or asks for, in file order."""
    named = {source.fluid for source in site.sources.values()}
    named |= {store.holds for store in site.storage.values()}
    named |= {demand.wants for demand in site.demands.values()}
    for machine in site.machines.values():
        named |= set(machine.inputs) | set(machine.outputs)
    return [fluid for fluid in site.fluids.values() if fluid.name in named]


def _any_word(site: Network, *words: str) -> bool:
    """True when some fluid of the site is called by one of the words, or by a word in it."""
    return any(is_named(fluid, words) for fluid in _fluids_of(site))


def _burnable_gas(site: Network) -> bool:
    return any(f.phase == "gas" and f.heating_value is not None for f in _fluids_of(site))


def _hydrogen(site: Network) -> bool:
    return _any_word(site, "hydrogen", "h2")


_MONOXIDE = ("carbonmonoxide", "monoxide", "co", "charcoal", "wood", "producer", "retort", "kiln",
             "furnace", "coke", "syngas", "synthesis", "gasifier", "pyrolysis", "town")  # fmt: skip
_SULPHIDE = ("hydrogensulfide", "sulfide", "sulphide", "h2s", "sour", "biogas", "landfill", "lfg",
             "tip", "digester", "sewage", "manure", "associated", "well", "wellhead",
             "mine")  # fmt: skip


def _poison(site: Network, what: str, words: Sequence[str]) -> bool:
    """True when a gas may hold a poison: as its keys say, or by names.

    Names are those of the fluid; of raw gas also those of its sources and their places, and those
    of machines that give it. A name is the user's own choice, so that it only adds a caution.
    """
    return any(
        what in fluid.may_hold or among(words_in(*_names_of(site, fluid)), words)
        for fluid in _fluids_of(site)
        if fluid.phase == "gas" and not fluid.exhaust
    )


def _names_of(site: Network, fluid: Fluid) -> Iterator[str | None]:
    yield from (fluid.name, fluid.substance)
    for source in _raw_sources(site):
        if source.fluid == fluid.name:
            yield from (source.name, source.place)
    for machine in site.machines.values():
        if fluid.name in machine.outputs:
            yield machine.name


def _raw_sources(site: Network) -> list[Source]:
    """Sources of what nobody sells or delivers."""
    return [s for s in site.sources.values() if not (s.delivered or s.price > 0)]


def _raw_gas(site: Network, *, pure: bool) -> bool:
    """True when a raw source gives gas to burn, which one substance names, or none."""
    return any(
        fluid.phase == "gas" and fluid.heating_value is not None and is_pure(fluid) == pure
        for source in _raw_sources(site)
        for fluid in (site.fluids[source.fluid],)
    )


def _tarry(site: Network) -> bool:
    """True when a raw source gives gas of heated solids, by its own name or those around it."""
    return any(
        fluid.phase == "gas"
        and fluid.heating_value is not None
        and not is_pure(fluid)
        and among(words_in(*_names_of(site, fluid)), TARRY)
        for source in _raw_sources(site)
        for fluid in (site.fluids[source.fluid],)
    )


def _suffocating(site: Network) -> bool:
    releases = any(
        f.phase == "gas" and (f.emission != "none" or "carbon dioxide" in f.may_hold)
        for f in _fluids_of(site)
    )
    named = _any_word(
        site, "biogas", "landfill", "digester", "carbondioxide", "dioxide", "co2", "nitrogen", "n2"
    )
    return releases or named


def _hot(site: Network) -> bool:
    hot_source = any(
        s.temperature is not None and s.temperature > HOT for s in site.sources.values()
    )
    return hot_source or any(machine.heat_out > 0 for machine in site.machines.values())


def _pressure(site: Network) -> bool:
    pressed = any(
        s.pressure is not None and s.pressure > site.ambient.pressure for s in site.sources.values()
    )
    pumped = any(s.pump is not None for s in site.sources.values())
    kept = any(
        store.holds != POWER and site.fluids[store.holds].phase == "gas"
        for store in site.storage.values()
    )
    return pressed or pumped or kept


def _generators(site: Network) -> list[MachineType]:
    return [machine for machine in site.machines.values() if machine.power_out > 0]


def _burning(site: Network) -> bool:
    """True when a generator burns something other than hydrogen alone."""
    return any(
        "hydrogen" not in words_of(site.fluids[fluid]) and site.fluids[fluid].heating_value
        for machine in _generators(site)
        for fluid in machine.inputs
    )


def _burns_what_counts_vented(site: Network) -> bool:
    vents = {
        source.fluid
        for source in site.sources.values()
        if source.when_untapped == "vents" and site.fluids[source.fluid].vented_weight > 0
    }
    return any(vents & set(machine.inputs) for machine in _generators(site))


def _batteries(site: Network) -> bool:
    return any(store.holds == POWER for store in site.storage.values())


def _liquid_fuel(site: Network) -> bool:
    return any(f.phase == "liquid" and f.heating_value is not None for f in _fluids_of(site))


_RULES: tuple[_Rule, ...] = (
    (
        lambda site: any(source.series is not None for source in site.sources.values()),
        "Measured flows: firm output holds while no window of the length stated brings less than "
        "the least one of the record. Limits, estimates and running costs are of the flow counted "
        "on, and the simulation plays its bursts, not the record.",
    ),
    (
        _burnable_gas,
        "Burnable gas: pressure-test and purge every run before first gas, and again before "
        "it is opened; keep flames, sparks and traffic away from vents and drains.",
    ),
    (
        _hydrogen,
        "Hydrogen: burns from about 4 to 75 % in air, with a flame that daylight hides; leaks "
        "where other gas does not; makes some steels brittle. Use fit steel, seals and detectors.",
    ),
    (
        lambda site: _poison(site, "carbon monoxide", _MONOXIDE),
        "Carbon monoxide kills without smell or warning, in gas of charcoal, wood and furnaces "
        "above all: detectors where it is made, led and burnt, on people as well, air in rooms, "
        "never alone. Local codes set the limits.",
    ),
    (
        lambda site: _poison(site, "hydrogen sulphide", _SULPHIDE),
        "Hydrogen sulphide, common in gas of wells, landfills and digesters, kills quickly and "
        "numbs the sense of smell first: have the gas analysed, detectors on people and in low "
        "places, a way upwind, breathing sets. It corrodes steel and engines. Local codes decide.",
    ),
    (
        lambda site: _any_word(site, "ammonia", "nh3"),
        "Ammonia burns eyes and lungs at once and kills: detectors, a way upwind, breathing sets "
        "and water to wash with. No copper, brass or zinc. Local codes decide.",
    ),
    (
        lambda site: _raw_gas(site, pure=False),
        "Raw gas may hold hydrogen sulphide or carbon monoxide whatever its name: have it "
        "analysed before anybody opens a line, and again when its source changes; until then use "
        "detectors for both, and treat each leak as poisonous.",
    ),
    (
        lambda site: any(source.water for source in site.sources.values()),
        "Wet gas drops water where it cools: lay pipe with fall to drain pots at low points and "
        "ends, seal them against gas, keep them from frost and empty them each day. What drains "
        "may be acid or poisonous.",
    ),
    (
        lambda site: _tarry(site),
        "Tar and water in gas of kilns, retorts and gasifiers condense below some 100 degC and "
        "block pipe, coolers and engines: drains, ways to clean, a filter before engines. Tar "
        "burns, and harms skin and lungs.",
    ),
    (
        lambda site: _raw_gas(site, pure=True),
        "Off-gas and by-products, though named as one pure gas, may hold others, such as chlorine, "
        "oxygen, carbon monoxide or hydrogen sulphide: analyse it before use, and again when its "
        "source changes; until then treat each leak as poisonous.",
    ),
    (
        lambda site: bool(below_ambient(site)),
        "A chamber of burnable gas is pumped below the pressure around it: a leak draws air in and "
        "makes it explosive. Measure oxygen, stop the pump on a high reading or a low pressure.",
    ),
    (
        _suffocating,
        "Biogas, carbon dioxide and nitrogen push the air out of pits, chambers and low ground "
        "without warning: test the air before entry, never enter alone.",
    ),
    (
        _hot,
        "Hot sources, exhausts and pipes: guard or insulate what can be touched, leave room for "
        "pipe to grow, keep what burns at a distance.",
    ),
    (
        lambda site: bool(site.coolers),
        "Coolers fail: a stopped fan or a dry loop lets hot gas through. Measure the "
        "temperature behind each one and shut off at the limit of what comes next. Coolant under "
        "its boiling point, relief on its loop, heat rejected where it harms nobody.",
    ),
    (
        lambda site: any(build.sink is not None for build in site.pipes.values()),
        "Heat sinks fail: one whose filling leaks or boils away, or whose recovery has stopped, "
        "lets hot gas through. Hold its level by a make-up that cannot fail unseen, lead its steam "
        "away, measure the temperature behind it and shut off at the limit of what comes next.",
    ),
    (
        lambda site: any(route.stream is not None for route in site.routes.values()),
        "Temperatures are calculated for clean, dry, uncovered pipe in still air: what is laid "
        "over a pipe or shut in around it makes it hotter. Use materials that are fit for the gas "
        "at its temperature; check steel for hydrogen above 200 degC.",
    ),
    (
        _pressure,
        "Vessels, holders and pumps hold pressure: relief valves that cannot be shut off, tests "
        "before use, a way to empty each part safely.",
    ),
    (
        lambda site: bool(site.pressures),
        "Pressures along lines hold only with a non-return valve at every source and store, "
        "control where a place splits flow, and ratings above the pressure shut in.",
    ),
    (
        lambda site: bool(site.boosters),
        "Blowers, compressors and pumps: relief behind each one for a closed valve, a trip on low "
        "inlet pressure and on high temperature, guards on what turns.",
    ),
    (
        lambda site: bool(_generators(site)),
        "Generators: a lock for isolation, earthing, and protection against feeding a line that "
        "a crew believes is dead.",
    ),
    (
        _burns_what_counts_vented,
        "Gas that counts when vented: generators must be able to burn what the plan counts as "
        "burnt, so power that nobody uses needs a load bank as large as the summary says, in free "
        "air, with a trip on a lost fan. Without it they throttle, and gas is vented or flared.",
    ),
    (
        _burning,
        "Engine exhaust carries carbon monoxide: run outdoors or with ducted exhaust, and put "
        "alarms where people sleep and work.",
    ),
    (
        _liquid_fuel,
        "Liquid fuel: a bund that holds the whole tank, and a drain that leads nowhere.",
    ),
    (
        _batteries,
        "Batteries stay live when all else is off: fuses at the poles, air enough for what they "
        "give off, room to fight a fire.",
    ),
)
