"""Sixteen homes of an invented district, six of them in trouble."""

from __future__ import annotations

from demo_telemetry.faults import Kind, Trouble
from demo_telemetry.heat_pump import Unit
from demo_telemetry.homes import (
    Before,
    Export,
    Holes,
    Home,
    Promise,
    Visit,
    elec,
    electricity_meter,
    flow_rate,
    heat,
    heat_meter,
    sensors,
    temperature,
)
from demo_telemetry.house import House
from demo_telemetry.simulate import Plant

AIR_5 = Unit("Skarnholt A5", 5.0, efficiency=0.525, controls_kw=0.012, fan_kw=0.045)
AIR_8 = Unit("Skarnholt A8", 8.0, efficiency=0.515, controls_kw=0.015, fan_kw=0.07)
AIR_12 = Unit("Skarnholt A12", 12.0, efficiency=0.505, controls_kw=0.018, fan_kw=0.11, pump_kw=0.06)
LOW_6 = Unit("Orrinvale Q6", 6.0, efficiency=0.49, controls_kw=0.02, fan_kw=0.05)
LOW_14 = Unit("Orrinvale Q14", 14.0, efficiency=0.48, controls_kw=0.026, fan_kw=0.13, pump_kw=0.07)
GROUND_8 = Unit(
    "Brackmoor G8", 8.0, "brine", efficiency=0.53, controls_kw=0.014, fan_kw=0.075, pump_kw=0.035
)

TOWN = "Hallowmere, Eastmarch"
FELL_TEAM, HARBOUR_TEAM, VALLEY_TEAM = "Team Fell", "Team Harbour", "Team Valley"
DESIGNERS = ("R. Quillan", "S. Oduya-Hart", "M. Treloar")

HOMES: tuple[Home, ...] = (
    Home(
        "alder-row-4", "4 Alder Row", TOWN, "XV1", FELL_TEAM, DESIGNERS[0],
        "Ivy Marrow", "ivy.marrow@home.example",
        House(8.0, people=3, emitter_exponent=1.1, emitter_kwh_k=0.05, setback_k=0.0),
        Plant(GROUND_8, design_flow_c=38.0, flow_at_15_c=26.0, cylinder_l=250, dhw_c=48.0),
        (
            heat_meter("HM-310442", heat(step=1.0)),
            electricity_meter("EM-77120", elec("elec_unit", "unit", step=0.1)),
            electricity_meter("EM-77121", elec("elec_source", "source", step=0.01)),
            sensors("LG-0104", temperature("flow_temp"), temperature("outdoor_temp"),
                    temperature("source_temp")),
        ),
        (Export("logger", "logger", 15,
                ("heat_total", "elec_unit", "elec_source", "flow_temp", "outdoor_temp",
                 "source_temp")),),
        Promise(3.9, "H2"),
        before=Before("oil", 2004, price=0.075, yearly_kwh=(35_400.0, 36_900.0)),
        price=0.262,
        visit=Visit(0.4, "Brine pressure checked; nothing to report."),
    ),
    Home(
        "bracken-lane-11", "11 Bracken Lane", TOWN, "XV3", VALLEY_TEAM, DESIGNERS[1],
        "Tom Astley-Brook", "tom.astley@home.example",
        House(7.2, people=3),
        Plant(AIR_8, design_flow_c=42.0),
        (
            heat_meter("HM-310518", heat(step=0.1)),
            electricity_meter("EM-77202", elec("elec_total", "unit", "source", "pumps", step=0.01)),
            sensors("LG-0111", temperature("flow_temp"),
                    temperature("outdoor_temp", sentinel=-999.0, sentinels=40),
                    temperature("room_temp")),
        ),
        (Export("logger", "logger", 5,
                ("heat_total", "elec_total", "flow_temp", "outdoor_temp", "room_temp"),
                doubled_rows=24),),
        Promise(3.4, "H4", months=24, decision="guarded", hot_water_kwh_day=5.5, room_c=20.0),
        before=Before("gas", 2008, price=0.064, standing=0.31, yearly_kwh=(33_800.0, 35_100.0),
                      cooks=True),
        price=0.271,
        trouble=Trouble(Kind.FLOW_TEMPERATURE, "The flow runs 13 K above the design curve.", 13.0),
    ),
    Home(
        "cairn-view-2", "2 Cairn View", "Upper Tolven, Eastmarch", "XV6", FELL_TEAM, DESIGNERS[2],
        "Nell Farrow", "nell.farrow@home.example",
        House(9.0, people=4, colder_k=0.8),
        Plant(AIR_12, design_flow_c=45.0, backup_kw=2.0, heat_meter_counts_backup=True),
        (
            heat_meter("HM-310533", heat(step=0.1)),
            electricity_meter("EM-77230", elec("elec_unit", "unit", "source", step=0.01)),
            electricity_meter("EM-77231", elec("elec_backup", "backup", step=0.01)),
            sensors("LG-0120", temperature("flow_temp"), temperature("outdoor_temp")),
        ),
        (Export("logger", "logger", 5,
                ("heat_total", "elec_unit", "elec_backup", "flow_temp", "outdoor_temp")),),
        Promise(3.2, "H3"),
        price=0.254,
        trouble=Trouble(
            Kind.BACKUP,
            "After a power cut the inline heater is released whenever the flow lags its target.",
            since=0.12,
        ),
        visit=Visit(
            0.12, "Power cut in the village; controls restarted by the homeowner.", "outage"
        ),
    ),
    Home(
        "dunlin-close-7", "7 Dunlin Close", TOWN, "XV2", HARBOUR_TEAM, DESIGNERS[1],
        "Priya Lockhart", "priya.lockhart@home.example",
        House(5.5, people=4),
        Plant(AIR_5, design_flow_c=43.0, immersion_kw=3.0, pumps_apart=False, cylinder_l=230),
        (
            heat_meter("HM-310540", heat(unit="MWh", step=0.001)),
            electricity_meter("EM-77241", elec("elec_unit", "unit", "source", "pumps", step=0.1)),
            electricity_meter("EM-77242", elec("elec_immersion", "immersion", step=0.1)),
            sensors("LG-0125", temperature("flow_temp"), temperature("outdoor_temp"),
                    temperature("dhw_temp")),
        ),
        (Export("portal", "portal", 15,
                ("heat_total", "elec_unit", "elec_immersion", "flow_temp", "outdoor_temp",
                 "dhw_temp"), overlap_days=1),),
        Promise(3.2, "H4"),
        price=0.262,
        trouble=Trouble(
            Kind.IMMERSION, "The immersion heater was left on after a service visit.", since=0.22
        ),
        visit=Visit(0.22, "Yearly service of the cylinder; safety valve replaced."),
    ),
    Home(
        "ember-court-1", "1 Ember Court", TOWN, "XV3", VALLEY_TEAM, DESIGNERS[0],
        "Gus Penhale", "gus.penhale@home.example",
        House(4.0, people=2),
        Plant(LOW_14, design_flow_c=45.0, cylinder_l=180),
        (
            heat_meter("HM-310556", heat(step=0.1)),
            electricity_meter("EM-77260", elec("elec_unit", "unit", "source", step=0.01)),
            electricity_meter("EM-77261", elec("elec_pumps", "pumps", step=0.01)),
            sensors("LG-0131", temperature("flow_temp"), temperature("return_temp"),
                    temperature("outdoor_temp")),
        ),
        (Export("logger", "logger", 5,
                ("heat_total", "elec_unit", "elec_pumps", "flow_temp", "return_temp",
                 "outdoor_temp")),),
        Promise(2.9, "H4"),
        before=Before("gas", 2012, price=0.066, standing=0.31),
        price=0.278,
        trouble=Trouble(
            Kind.CYCLING,
            "The unit is far too large for the house and cycles; its pump never stops.",
        ),
    ),
    Home(
        "fallow-end-9", "9 Fallow End", "Saltenby, Eastmarch", "XV4", HARBOUR_TEAM, DESIGNERS[2],
        "Wilf Carrick", "wilf.carrick@home.example",
        House(7.5, people=3),
        Plant(AIR_8, design_flow_c=45.0, backup_kw=3.0, heat_meter_counts_backup=True),
        (
            heat_meter("HM-310561", heat(step=1.0)),
            electricity_meter(
                "EM-77270",
                elec("elec_total", "unit", "source", "backup", "pumps", step=0.1, spikes=3),
            ),
            sensors("LG-0136", temperature("flow_temp"), temperature("outdoor_temp")),
        ),
        (Export("logger", "logger", 15, ("heat_total", "elec_total", "flow_temp", "outdoor_temp"),
                jitter_s=50),),
        Promise(3.3, "H4", months=24),
        before=Before("gas", 2001, price=0.066, standing=0.31),
        price=0.262,
        visit=Visit(0.7, "Yearly service; air filter cleaned."),
        trouble=Trouble(
            Kind.DRIFT, "Efficiency falls in three steps, as when refrigerant is lost.", 0.12, 0.25
        ),
    ),
    Home(
        "gorse-hill-3", "3 Gorse Hill", "Upper Tolven, Eastmarch", "XV6", FELL_TEAM, DESIGNERS[1],
        "Anwen Sharrow", "anwen.sharrow@home.example",
        House(6.5, people=3, colder_k=0.5),
        Plant(AIR_8, design_flow_c=43.0),
        (
            heat_meter("HM-310577", heat(step=0.1)),
            electricity_meter("EM-77283", elec("elec_total", "unit", "source", "pumps", step=0.01)),
            sensors("LG-0140", temperature("flow_temp"), temperature("return_temp"),
                    flow_rate(sentinel=65535.0, sentinels=30), temperature("outdoor_temp")),
        ),
        (Export("logger", "logger", 5,
                ("heat_total", "elec_total", "flow_temp", "return_temp", "flow_rate",
                 "outdoor_temp")),),
        Promise(3.3, "H4"),
        price=0.262,
        trouble=Trouble(
            Kind.HEAT_METER,
            "A temperature probe of the heat meter is badly seated: it reads 16 % too low.",
            0.16,
        ),
    ),
    Home(
        "heron-quay-5", "5 Heron Quay", TOWN, "XV2", HARBOUR_TEAM, DESIGNERS[0],
        "Bram Oyelaran", "bram.oyelaran@home.example",
        House(4.5, people=2),
        Plant(AIR_5, design_flow_c=38.0, cylinder_l=180),
        (
            heat_meter("HM-402115", heat("heat_space", step=0.1), heat("heat_dhw", step=0.1)),
            electricity_meter("EM-80014", elec("elec_unit", "unit", "source", step=0.01)),
            sensors("LG-0207", temperature("flow_temp"), temperature("outdoor_temp"),
                    temperature("dhw_temp")),
        ),
        (Export("logger", "logger", 30,
                ("heat_space", "heat_dhw", "elec_unit", "flow_temp", "outdoor_temp", "dhw_temp")),),
        Promise(4.0, "H2", months=24, after_months=0),
        price=0.269,
        looks="Commissioned lately; the space heating has not been switched on yet.",
        heating=False,
        last_days=70,
    ),
    Home(
        "inish-road-8", "8 Inish Road", "Ballinorra, Co. Lisdare", "Q42",
        HARBOUR_TEAM, DESIGNERS[2],
        "Maeve Tierlach", "maeve.tierlach@home.example",
        House(7.5, people=7, litres_each=60.0, colder_k=1.8, room_c=19.0, design_outdoor_c=-4.0),
        Plant(AIR_12, design_flow_c=47.0, immersion_kw=3.0, cylinder_l=300, dhw_c=51.0),
        (
            heat_meter("HM-310602", heat("heat_space", step=1.0), heat("heat_dhw", step=1.0)),
            electricity_meter(
                "EM-77310",
                elec("elec_total", "unit", "source", "immersion", "pumps", kind="interval",
                     step=0.001),
            ),
            electricity_meter(
                "EM-77311", elec("elec_immersion", "immersion", kind="interval", step=0.001)
            ),
            sensors("LG-0151", temperature("flow_temp"), temperature("outdoor_temp")),
        ),
        (
            Export("halfhour", "halfhour", 30, ("elec_total", "elec_immersion")),
            Export("register", "logger", 60,
                   ("heat_space", "heat_dhw", "flow_temp", "outdoor_temp")),
        ),
        Promise(
            2.8, "H4", conditions=("Hot water up to 450 litres a day at 40 degC.",)
        ),
        price=0.335, currency="EUR", zone="Europe/Dublin",
        looks="A cold place and a large family with much hot water; the promise allows for both.",
    ),
    Home(
        "juniper-bank-6", "6 Juniper Bank", TOWN, "XV3", VALLEY_TEAM, DESIGNERS[1],
        "Dora Whinfell", "dora.whinfell@home.example",
        House(6.0, people=3),
        Plant(AIR_8, design_flow_c=42.0),
        (
            heat_meter("HM-310618", heat(step=0.1)),
            electricity_meter("EM-77320", elec("elec_unit", "unit", "source", step=0.01)),
            sensors("LG-0155", temperature("flow_temp"), temperature("outdoor_temp"),
                    temperature("room_temp")),
        ),
        (Export("logger", "logger", 15,
                ("heat_total", "elec_unit", "flow_temp", "outdoor_temp", "room_temp"),
                blank_cells=True),),
        Promise(3.4, "H2", minimum_coverage=0.75),
        price=0.262,
        looks="A fifth of the data is lost to a weak radio link.",
        holes=Holes(share=0.16, mean_hours=14.0, long_days=14.0, long_at=0.62),
    ),
    Home(
        "kestrel-way-10", "10 Kestrel Way", TOWN, "XV3", VALLEY_TEAM, DESIGNERS[0],
        "Hal Brennock", "hal.brennock@home.example",
        House(5.0, people=2),
        Plant(LOW_6, design_flow_c=43.0),
        (
            heat_meter("HM-310625", heat(step=1.0)),
            electricity_meter(
                "EM-77333", elec("elec_unit", "unit", "source", kind="interval", step=0.001)
            ),
            sensors("LG-0158", temperature("flow_temp"), temperature("outdoor_temp")),
        ),
        (
            Export("halfhour", "halfhour", 30, ("elec_unit",)),
            Export("register", "logger", 60, ("heat_total", "flow_temp", "outdoor_temp")),
        ),
        Promise(3.1, "H2", months=24),
        price=0.262,
        looks="Most of the electricity data never reached the portal.",
        holes=Holes(role_share=1.6, role_hours=200.0, roles=("elec_unit",)),
    ),
    Home(
        "larch-mill-12", "12 Larch Mill", "Marrowby, Eastmarch", "XV5", FELL_TEAM, DESIGNERS[2],
        "Edda Skelling", "edda.skelling@home.example",
        House(8.2, people=4, solar_m2=6.0),
        Plant(AIR_8, design_flow_c=45.0, backup_kw=2.0, heat_meter_counts_backup=True),
        (
            heat_meter("HM-310633", heat(unit="GJ", step=0.001, spikes=2)),
            electricity_meter(
                "EM-77341", elec("elec_total", "unit", "source", "backup", "pumps", step=0.01)
            ),
            sensors("LG-0163", temperature("flow_temp"), temperature("outdoor_temp")),
        ),
        (Export("points", "points", 30,
                ("heat_total", "elec_total", "flow_temp", "outdoor_temp")),),
        Promise(3.5, "H4", decision="guarded", weather_allowance=True),
        before=Before("oil", 2010, price=0.078),
        price=0.258,
    ),
    Home(
        "moor-gate-2", "2 Moor Gate", "Marrowby, Eastmarch", "XV5", FELL_TEAM, DESIGNERS[0],
        "Rufus Hale-Orton", "rufus.hale@home.example",
        House(9.5, people=4),
        Plant(AIR_12, design_flow_c=44.0),
        (
            heat_meter("HM-310647", heat(unit="MWh", step=0.001), swap=("HM-402290", 0.55)),
            electricity_meter("EM-77352", elec("elec_total", "unit", "source", "pumps", step=0.1)),
            sensors("LG-0166", temperature("flow_temp"), temperature("outdoor_temp")),
        ),
        (Export("portal", "portal", 60, ("heat_total", "elec_total", "flow_temp", "outdoor_temp"),
                overlap_days=1),),
        Promise(3.2, "H4"),
        price=0.262,
        visit=Visit(0.31, "Homeowner shown how to set the hot water times."),
    ),
    Home(
        "nettle-croft-15", "15 Nettle Croft", "Saltenby, Eastmarch", "XV4",
        HARBOUR_TEAM, DESIGNERS[1],
        "Joss Amberley", "joss.amberley@home.example",
        House(7.0, people=2),
        Plant(AIR_8, design_flow_c=40.0),
        (
            heat_meter("HM-310650", heat(step=1.0)),
            electricity_meter(
                "EM-41877",
                elec("elec_unit", "unit", "source", step=0.1, digits=6, decimals=1,
                     start=97_850.4),
            ),
            sensors("LG-0170", temperature("flow_temp"), temperature("outdoor_temp")),
        ),
        (Export("logger", "logger", 60, ("heat_total", "elec_unit", "flow_temp", "outdoor_temp")),),
        Promise(3.6, "H2"),
        price=0.262,
        holes=Holes(long_days=14.0, long_at=0.83),
    ),
    Home(
        "otter-bridge-3", "3 Otter Bridge", TOWN, "XV2", HARBOUR_TEAM, DESIGNERS[2],
        "Signe Tallow", "signe.tallow@home.example",
        House(6.8, people=3),
        Plant(AIR_8, design_flow_c=41.0),
        (
            heat_meter("40231187", heat(step=1.0), temperature("flow_temp"),
                       temperature("return_temp")),
            electricity_meter(
                "71904426", elec("elec_total", "unit", "source", "pumps", step=1.0)
            ),
            sensors("LG-0174", temperature("outdoor_temp")),
        ),
        (
            Export("mbus", "mbus", 360, ("heat_total", "elec_total", "flow_temp", "return_temp"),
                   jitter_s=9, corrupt_lines=6),
            Export("weather", "logger", 60, ("outdoor_temp",)),
        ),
        Promise(3.3, "H4"),
        price=0.262,
        visit=Visit(0.5, "Yearly service; nothing to report."),
    ),
    Home(
        "plover-field-20", "20 Plover Field", TOWN, "XV3", VALLEY_TEAM, DESIGNERS[1],
        "Kit Sandamere", "kit.sandamere@home.example",
        House(3.6, people=2, emitter_exponent=1.1, emitter_kwh_k=0.05, setback_k=0.5),
        Plant(AIR_5, design_flow_c=36.0, flow_at_15_c=26.0, cylinder_l=180),
        (
            heat_meter("HM-310661", heat(step=0.1)),
            electricity_meter(
                "EM-77370", elec("elec_unit", "unit", "source", kind="power", unit="W", step=1.0)
            ),
            sensors("LG-0178", temperature("flow_temp"), temperature("outdoor_temp"),
                    temperature("room_temp")),
        ),
        (Export("logger", "logger", 5,
                ("heat_total", "elec_unit", "flow_temp", "outdoor_temp", "room_temp")),),
        Promise(3.6, "H2", months=24, hot_water_kwh_day=4.5, room_c=20.5),
        before=Before("gas", 2016, price=0.066, standing=0.31, yearly_kwh=(12_300.0,)),
        price=0.262,
    ),
)  # fmt: skip
