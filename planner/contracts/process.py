"""The process table of each system as its user's own data, temperatures, and each sleeve's cure."""

from planner.tables import Table, date, number, text, whole

HELD = ("yes", "no", "undecided")

PROCESS = Table(
    "process",
    "times of one system at one size and wall temperature, as its maker states them",
    (
        text("system", "system", blank=False),
        number("dn_to_mm", "mm", "up to this nominal size", blank=False, low=0),
        number("wall_c", "degC", "pipe wall temperature of this row", blank=False),
        number("prepare_s", "s", "wet out, load, pull in, set", blank=False, low=0),
        number("mix_s", "s", "of prepare_s: mix the resin", low=0),
        number("wet_out_s", "s", "of prepare_s: wet out and load the packer", low=0),
        number("pull_s", "s", "of prepare_s: pull in and set", low=0),
        number("inflate_s", "s", "of prepare_s: bring to pressure", low=0),
        number("cure_s", "s", "pressure up to pressure off; blank = by the lamp", low=1),
        number("cooldown_s", "s", "cool down under pressure; blank = none", low=0),
        number("drawdown_s", "s", "draw the packer down by vacuum; blank = none", low=0),
        number("finish_s", "s", "withdraw and film", blank=False, low=0),
        number("pot_life_s", "s", "from mixing to pressure, 0 = no limit", low=0),
        number("pot_life_c", "degC", "temperature pot_life_s is stated at; blank = wall_c"),
        number("irradiance_mw_cm2", "mW/cm2", "mean irradiance of the lamp at the wall", low=0.001),
        number("lit_m", "m", "lit length of lamp or packer", low=0.01),
        number("energy_mj_cm2", "mJ/cm2", "energy density that the resin asks", low=0.001),
        number("lamp_m_per_min", "m/min", "speed of the lamp; blank = it stands", low=0.001),
        number("lamp_w", "W", "power of the lamp", low=0),
    ),
    key=("system", "dn_to_mm", "wall_c"),
)
PRESSURE_STEPS = Table(
    "pressure_steps",
    "one pressure step of a system's own table, as given; never altered",
    (
        text("system", "system", blank=False),
        number("dn_to_mm", "mm", "up to this nominal size", blank=False, low=0),
        whole("seq", "", "order in the file", blank=False, low=1),
        number("at_min", "min", "minutes after the first air", blank=False, low=0),
        number("pressure_bar", "bar", "pressure to hold from then on", blank=False, low=0),
        text("refused", "why no step of this size is printed; '' = they are"),
    ),
    key=("system", "dn_to_mm", "seq"),
)
ORDER_OF_WORK = Table(
    "order_of_work",
    "one line of a system's order of work, as the crew ticks it off",
    (
        text("system", "system", blank=False),
        whole("seq", "", "order in the list", blank=False, low=1),
        text("say", "the line, names to fill in in braces; '' = could not be read"),
        text("refused", "why the list of this system is not printed; '' = it is"),
        text("source", "whose list it is", blank=False),
    ),
    key=("system", "seq"),
)
CONDITIONS = Table(
    "conditions",
    "temperatures stated for one planned day; blank = not stated",
    (
        date("date", "planned day; '' = the plan has no first day"),
        text("period", "date or month that [conditions] states it for; '' = it states none"),
        number("air_c", "degC", "air", low=-40, high=60),
        number("wall_c", "degC", "pipe wall or groundwater", low=-40, high=60),
        number("resin_c", "degC", "resin when it is mixed", low=-40, high=60),
        text("source", "who measured or forecast it"),
    ),
    key=("date", "period"),
)
CURES = Table(
    "cures",
    "times of one sleeve from its system's table, its pot life and its light; no rule reads it",
    (
        text("sleeve_id", "sleeve", blank=False),
        text("pipe_id", "pipe", blank=False),
        text("system", "system", blank=False),
        text("cure", "how it sets", one_of=("ambient", "heat", "light")),
        number("cold_c", "degC", "temperature the times are read at; blank = not known"),
        text("cold_from", "where cold_c comes from"),
        number("warm_c", "degC", "temperature the pot life is read at; blank = not known"),
        text("warm_from", "where warm_c comes from"),
        number("prepare_s", "s", "wet out, load, pull in, set; blank = not known", low=0),
        number("cure_s", "s", "pressure up to pressure off; blank = not known", low=0),
        number("cooldown_s", "s", "cool down under pressure", low=0),
        number("drawdown_s", "s", "draw the packer down by vacuum", low=0),
        number("finish_s", "s", "withdraw and film", low=0),
        number("batch_s", "s", "mix, wet-out, pull and inflate; without them prepare_s", low=0),
        number("pot_life_s_low", "s", "least pot life; blank = not known or no limit", low=0),
        number("pot_life_s_high", "s", "most; blank = not known or no limit", low=0),
        text("pot_life_held", "the batch is done in its pot life", one_of=HELD, blank=False),
        number("length_m", "m", "length of the sleeve", low=0),
        number("lit_m", "m", "lit length of lamp or packer", low=0),
        number("lamp_m_per_min", "m/min", "speed of the lamp; blank = it stands", low=0),
        number("lamp_most_m_per_min", "m/min", "fastest that gives the energy asked", low=0),
        number("lamp_w", "W", "power of the lamp", low=0),
        number("energy_mj_cm2", "mJ/cm2", "energy density that each point gets", low=0),
        number("energy_asked_mj_cm2", "mJ/cm2", "energy density that the resin asks", low=0),
        text("light_held", "energy and lit length suffice; '' = no light", one_of=HELD),
        text("why", "all of it in one sentence", blank=False),
        text("source", "where the process table comes from"),
    ),
    key=("sleeve_id",),
)
