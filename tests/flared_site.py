"""Wells of which one comes by day alone, an engine, and flares for what it does not take."""

WELLS = """
format: allocator.site/2
name: Wells
fluids:
  gas: {catalogue: landfill gas}
  bio_co2: {catalogue: biogenic CO2}
places: {pad: {at: [0, 0]}, works: {at: [100 m, 0 m]}}
sources:
  north: {place: works, fluid: gas, flow: 100 g/s, when_untapped: vents}
  east:
    {place: works, fluid: gas, flow: 40 g/s, cycle: [{on: 12 h, every: 24 h}],
      when_untapped: vents}
storage: {holder: {holds: gas, places: [works], size: {max: 3000 kg}, price: 55}}
machines:
  engine: {inputs: {gas: 80 g/s}, outputs: {power: 400 kW, bio_co2: 118 g/s}, places: {works: 1},
    price: 100}
  flare: {inputs: {gas: 200 g/s}, outputs: {bio_co2: 294 g/s}, flare: true, places: [works],
    price: 10}
demands: {mill: {power: 400 kW, place: works, profile: [0.5, 1.5]}}
goals: [clean_power, emissions, money]
"""
