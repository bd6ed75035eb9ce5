"""The site file of the demo's invented plant, and the names of its simulated channels."""

from __future__ import annotations

TIME_ZONE = "America/New_York"
OPERATOR = "M. Okafor (invented)"
OPERATOR_MAIL = "night@example.org"

#: With places for the two devices' ports.
SITE = """\
[site]
name = "Larkmere Flats Water Reclamation (invented)"
units = "us"
time_zone = "America/New_York"

[[tank]]
key = "tank-1"
label = "Clarifier 1"
kind = "secondary"
shape = "circular"
diameter = 80
side_water_depth = 14
floor_slope = "1:12"
weir_length = 251
notch_angle = 90
notch_count = 500
core_distance_from_wall = "4 m"
arm_period = "36 min"

[[tank]]
key = "tank-2"
label = "Clarifier 2"
kind = "secondary"
shape = "circular"
diameter = 80
side_water_depth = 14
floor_slope = "1:12"
weir_length = 251
notch_angle = 90
notch_count = 500
core_distance_from_wall = "4 m"
arm_period = "33 min"

[[signal]]
tag = "T1.BLANKET"
connector = "scada-export"
kind = "blanket"
tank = "tank-1"
unit = "ft"
measures = "depth"
distance_from_wall = 20
low = 0
high = 17
expected_interval = "1 min"
stale_after = "10 min"

[[signal]]
tag = "T2.BLANKET"
connector = "scada-export"
kind = "blanket"
tank = "tank-2"
unit = "ft"
measures = "depth"
distance_from_wall = 20
low = 0
high = 17
expected_interval = "1 min"
stale_after = "10 min"

[[signal]]
tag = "T1.FLOW"
connector = "scada-export"
kind = "flow"
tank = "tank-1"
unit = "MGD"
low = 0
high = 20

[[signal]]
tag = "T2.FLOW"
connector = "scada-export"
kind = "flow"
tank = "tank-2"
unit = "MGD"
low = 0
high = 20

[[signal]]
tag = "T1.RETURN"
connector = "pump-panel"
kind = "return_flow"
tank = "tank-1"
unit = "MGD"
low = 0
high = 8

[[signal]]
tag = "T2.RETURN"
connector = "pump-panel"
kind = "return_flow"
tank = "tank-2"
unit = "MGD"
low = 0
high = 8

[[signal]]
tag = "T1.RETURN_SOLIDS"
connector = "scada-export"
kind = "return_solids"
tank = "tank-1"
unit = "mg/L"
low = 0
high = 30000
expected_interval = "15 min"

[[signal]]
tag = "T2.RETURN_SOLIDS"
connector = "scada-export"
kind = "return_solids"
tank = "tank-2"
unit = "mg/L"
low = 0
high = 30000
expected_interval = "15 min"

[[signal]]
tag = "SETTLED.30MIN"
connector = "scada-export"
kind = "settled_volume"
unit = "mL/L"
low = 0
high = 1000

[[signal]]
tag = "FEED.SOLIDS"
connector = "aeration-server"
kind = "feed_solids"
unit = "mg/L"
low = 0
high = 8000
stale_after = "30 min"

[[signal]]
tag = "EFFLUENT.SOLIDS"
connector = "scada-export"
kind = "effluent_solids"
unit = "mg/L"
low = 0
high = 2000

[permit]
name = "Discharge permit (invented)"
outfall = "001"
solids = {{ monthly_average = 30, weekly_average = 45, daily_maximum = 60 }}
load = {{ monthly_average = 2500 }}

[[connector]]
key = "scada-export"
kind = "csv"
folder = "drop/readings"
layout = "wide"
settle = "0 s"

[[connector]]
key = "pump-panel"
kind = "modbus"
host = "127.0.0.1"
port = {modbus_port}

[[connector.device]]
unit = 1

[[connector.device.point]]
name = "T1.RETURN"
address = 0
type = "float32"

[[connector.device.point]]
name = "T2.RETURN"
address = 2
type = "float32"

[[connector]]
key = "aeration-server"
kind = "opcua"
endpoint = "opc.tcp://127.0.0.1:{opcua_port}/plant"
watch = "poll"
history = false

[[connector.item]]
name = "FEED.SOLIDS"
node = "ns=2;s=Feed.Solids"

[[connector]]
key = "core-sheets"
kind = "csv"
folder = "drop/cores"
layout = "cores"
settle = "0 s"

[[connector]]
key = "laboratory-sheets"
kind = "csv"
folder = "drop/laboratory"
layout = "laboratory"
settle = "0 s"

[laboratory]
basin_volume = 1.2
target_age = "9 d"

[[alarm]]
kind = "high"
depth_share = "25 %"
deadband = 0.5
on_delay = "2 min"
off_delay = "5 min"
priority = "medium"

[[alarm]]
kind = "high-high"
clearance = 2.5
deadband = 0.5
on_delay = "1 min"
off_delay = "5 min"
priority = "high"

[[alarm]]
kind = "time to danger"
within = "1 h"
deadband = "20 min"
on_delay = "5 min"
off_delay = "15 min"
priority = "medium"

[[contact]]
name = "Night operator (invented)"
email = "night@example.org"

[[contact]]
name = "Instrument shop (invented)"
email = "instruments@example.org"
priorities = ["low"]
"""

#: Columns of the export: (kind, tank number) of the simulator to tag and unit of the site file.
CHANNEL_TAGS: dict[tuple[str, int | None], tuple[str, str]] = {
    ("flow", 0): ("T1.FLOW", "MGD"),
    ("flow", 1): ("T2.FLOW", "MGD"),
    ("return_solids", 0): ("T1.RETURN_SOLIDS", "mg/L"),
    ("return_solids", 1): ("T2.RETURN_SOLIDS", "mg/L"),
}
#: The meter behind both tanks.
EFFLUENT_TAG = "EFFLUENT.SOLIDS"
#: Typed in by the laboratory.
SETTLING_TEST_TAG = "SETTLED.30MIN"
BLANKET_TAGS = ("T1.BLANKET", "T2.BLANKET")
TANKS = ("tank-1", "tank-2")
