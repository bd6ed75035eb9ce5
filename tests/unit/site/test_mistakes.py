"""One mistake at a time in an otherwise sound file: found on its line, under its field, with its remedy, and nothing else."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from service.site import Severity, check_site

BASE = (Path(__file__).parents[2] / "data/site/base.toml").read_text("utf-8")

#: Ends the line on which the finding is expected.
MARK = "# <-"


@dataclass(frozen=True)
class Mistake:
    """An edit of the sound file (the first occurrence of *old* becomes *new*), and what must be said about it."""

    name: str
    old: str
    new: str
    field: str
    problem: str
    remedy: str
    severity: Severity = Severity.ERROR


E, W = Severity.ERROR, Severity.WARNING

EAST = 'key = "east"'
TANK = '[[tank]]\nkey = "east"\nkind = "secondary"\nshape = "circular"\n'
HIGH = '[[alarm]]\nkind = "high"\ntank = "east"\n'
CONTACT = 'name = "Night"\nemail = "night@example.org"\n'
STATUS = "\n[[signal]]\ntag = 'ST'\nkind = 'status'\nunit = 'state'\nsensor = 'EAST_B'"
FLOW = 'tag = "FLOW"\nkind = "flow"\nunit = "MGD"\nlow = 0\nhigh = 12'

# fmt: off
MISTAKES = [
    # ---- keys and headings
    Mistake("misspelt key", "diameter = 80", "daimeter = 80 # <-", "tank[east].daimeter", "no such key", "mean diameter?"),
    Mistake("other word for a key", "diameter = 80", "radius = 40 # <-", "tank[east].radius", "no such key", "twice the radius"),
    Mistake("misspelt required key", "side_water_depth = 14", "side_water_dept = 14 # <-", "tank[east].side_water_dept", "no such", "mean side_water_depth?"),
    Mistake("unknown key", EAST, EAST + "\nowner = 'x' # <-", "tank[east].owner", "no such key", "known are key, label"),
    Mistake("key under the wrong heading", EAST, EAST + "\nemail = 'a@example.org' # <-", "tank[east].email", "no such key", "belongs under [[contact]]"),
    Mistake("missing key", "side_water_depth = 14\n", "", "tank[east].side_water_depth", "is missing", "write side_water_depth = 14"),
    Mistake("plural heading", HIGH, "[[alarms]] # <-\n" + HIGH.partition("\n")[2], "alarms", "no section [[alarms]]", "mean [[alarm]]?"),
    Mistake("other word for a heading", "[[contact]]", "[[person]] # <-", "person", "no section [[person]]", "mean [[contact]]?"),
    Mistake("one bracket", "[[connector]]", "[connector] # <-", "connector", "one bracket", "write [[connector]]"),
    Mistake("two brackets", "[site]", "[[site]] # <-", "site", "two brackets", "write [site]"),
    Mistake("named tables", '[[connector]]\nkey = "export"', "[connector.export] # <-", "connector", "not how several are written", "write [[connector]] and key"),
    Mistake("key before any heading", "[site]\n", "colour = 1 # <-\n[site]\n", "colour", "before any heading", "move it below"),
    Mistake("site missing", '[site]\nname = "Base"\nunits = "us"\ntime_zone = "America/New_York"\n', "", "", "[site] is missing", "begin the file"),
    # ---- site
    Mistake("unknown units", 'units = "us"', 'units = "usa" # <-', "site.units", '"usa" is not known', 'write "us"'),
    Mistake("misspelt zone", "America/New_York", 'America/New_Yrok" # <-', "site.time_zone", "no time zone", 'write "America/New_York"'),
    Mistake("zone in words", "America/New_York", 'Eastern Time" # <-', "site.time_zone", "no time zone", 'write "America/New_York"'),
    Mistake("zone in European words", "America/New_York", 'Central European Summer Time" # <-', "site.time_zone", "no time zone", 'write "Europe/Berlin"'),
    Mistake("offset for a zone", "America/New_York", 'UTC-5" # <-', "site.time_zone", "no time zone", 'IANA name such as "America/New_York"'),
    Mistake("city alone", "America/New_York", 'Chicago" # <-', "site.time_zone", "no time zone", 'write "America/Chicago"'),
    Mistake("fixed offset", '"America/New_York"', '"EST" # <-', "site.time_zone", "EST knows no summer time", 'write "America/New_York"', W),
    # ---- tanks
    Mistake("misspelt kind", 'kind = "secondary"', 'kind = "secundary" # <-', "tank[east].kind", '"secundary"', 'write "secondary"'),
    Mistake("misspelt shape", 'shape = "circular"', 'shape = "cirular" # <-', "tank[east].shape", '"cirular"', 'write "circular"'),
    Mistake("circular without diameter", TANK + 'diameter = 80\n', TANK.replace(']]', ']] # <-', 1), "tank[east].diameter", "is missing", "write diameter"),
    Mistake("rectangular without width", "width = 30\n", "", "tank[north].width", "is missing", "write width"),
    Mistake("circular with length", "diameter = 80", "diameter = 80\nlength = 90 # <-", "tank[east].length", "does not fit", "change shape"),
    Mistake("diameter below zero", "diameter = 80", "diameter = -80 # <-", "tank[east].diameter", "-80 ft is not a size", "water surface"),
    Mistake("diameter in the wrong unit", "diameter = 80", 'diameter = "800 m" # <-', "tank[east].diameter", "2625 ft is an unusual", "check the unit", W),
    Mistake("depth in inches", "side_water_depth = 11", 'side_water_depth = "11 in" # <-', "tank[north].side_water_depth", "unusual depth", "Ten States", W),
    Mistake("no depth", "side_water_depth = 14", "side_water_depth = 0 # <-", "tank[east].side_water_depth", "not above zero", "weir crest to floor"),
    Mistake("unknown unit", "side_water_depth = 14", 'side_water_depth = "14 feet" # <-', "tank[east].side_water_depth", 'no unit "feet"', 'write "14 ft"'),
    Mistake("unit of something else", "side_water_depth = 14", 'side_water_depth = "14 gpm" # <-', "tank[east].side_water_depth", "gpm measures flow", "ft"),
    Mistake("decimal comma in a text", "side_water_depth = 14", 'side_water_depth = "4,2 m" # <-', "tank[east].side_water_depth", "decimal comma", '"4.2 m"'),
    Mistake("true for a length", "side_water_depth = 14", "side_water_depth = true # <-", "tank[east].side_water_depth", "true is not a length", "12"),
    Mistake("not a number", "side_water_depth = 14", "side_water_depth = nan # <-", "tank[east].side_water_depth", "nan is not a length", "12"),
    Mistake("run instead of slope", 'floor_slope = "1:12"', "floor_slope = 12 # <-", "tank[east].floor_slope", "steeper than any floor", 'write "1:12"'),
    Mistake("slope of a hopper", 'floor_slope = "1:12"', 'floor_slope = "1:1.5" # <-', "tank[east].floor_slope", "steeper than any floor", "fall per length"),
    Mistake("slope upwards", 'floor_slope = "1:12"', "floor_slope = -0.08 # <-", "tank[east].floor_slope", "below zero", "falls away"),
    Mistake("no slope", 'floor_slope = "1:12"', 'floor_slope = "steep" # <-', "tank[east].floor_slope", '"steep" is not a slope', '"1:12"'),
    Mistake("weir too short", "weir_length = 251", "weir_length = 25 # <-", "tank[east].weir_length", "far from the tank's own 251.3 ft", "both sides", W),
    Mistake("no weir", "weir_length = 251", "weir_length = 0 # <-", "tank[east].weir_length", "not above zero", "leave it out"),
    Mistake("half a notch", "weir_length = 251", "weir_length = 251\nnotch_angle = 90", "tank[east].notch_count", "is missing, but notch_angle", "both, or neither"),
    Mistake("flat notch", "weir_length = 251", "weir_length = 251\nnotch_angle = 180 # <-\nnotch_count = 500", "tank[east].notch_angle", "180 is too large", "less than 180"),
    Mistake("few notches", "weir_length = 251", "weir_length = 251\nnotch_angle = 90\nnotch_count = 5 # <-", "tank[east].notch_count", "50.2 ft apart", "usual", W),
    Mistake("coefficient without notches", "weir_length = 251", "weir_length = 251\ndischarge_coefficient = 0.6 # <-", "tank[east].discharge_coefficient", "no use", "notch_angle", W),
    Mistake("core outside", 'core_position = "1/3"', "core_distance_from_wall = 41 # <-", "tank[east].core_distance_from_wall", "outside the tank", "centre is 40 ft"),
    Mistake("core beyond the middle", 'core_position = "1/3"', 'core_position = "4/3" # <-', "tank[east].core_position", "outside the tank", '"1/3"'),
    Mistake("core twice", 'core_position = "1/3"', 'core_position = "1/3" # <-\ncore_distance_from_wall = 13', "tank[east].core_position", "says the same", "keep one"),
    Mistake("arm in seconds", EAST, EAST + '\narm_period = "30 s" # <-', "tank[east].arm_period", "0.5 minutes is an unusual", "20 to 60", W),
    Mistake("time without unit", EAST, EAST + "\narm_period = 30 # <-", "tank[east].arm_period", "30 has no unit", '"30 min"'),
    Mistake("same key twice", '[[tank]]\nkey = "north"', '[[tank]]\nkey = "East" # <-\nkind = "primary"\nshape = "circular"\ndiameter = 60\nside_water_depth = 12\n\n[[tank]]\nkey = "north"', "tank[East].key", "taken already, on line 8", "of its own"),
    Mistake("space in a key", EAST, 'key = "east basin" # <-', "tank[east basin].key", "signs other than", '"east-basin"'),
    Mistake("tank without blanket signal", '[[tank]]\nkey = "north"', '[[tank]]\nkey = "spare"\nkind = "primary"\nshape = "circular"\ndiameter = 60\nside_water_depth = 12\n\n[[tank]]\nkey = "north"', "tank[spare]", "no blanket signal", 'tank = "spare"', W),
    # ---- signals
    Mistake("unknown tank", 'tank = "east"\nunit', 'tank = "esat" # <-\nunit', "signal[EAST_B].tank", 'no tank "esat"', '"east"?'),
    Mistake("tank missing", 'tank = "east"\nunit', "unit", "signal[EAST_B].tank", "is missing: a blanket", "east, north"),
    Mistake("unit in capitals", 'unit = "MGD"', 'unit = "mgd" # <-', "signal[FLOW].unit", 'no unit "mgd"', 'write "MGD"'),
    Mistake("unit of another kind", 'unit = "ft"\n', 'unit = "gpm" # <-\n', "signal[EAST_B].unit", "gpm measures flow", '"ft"'),
    Mistake("direction missing", 'measures = "depth"\n', "", "signal[EAST_B].measures", "which way", '"depth"'),
    Mistake("direction misspelt", 'measures = "depth"', 'measures = "deep" # <-', "signal[EAST_B].measures", '"deep"', 'write "depth"'),
    Mistake("direction of a flow", 'kind = "flow"', 'kind = "flow"\nmeasures = "height" # <-', "signal[FLOW].measures", "no meaning", "remove", W),
    Mistake("face height missing", 'zero_height = "11 ft"\n', "", "signal[NORTH_B].zero_height", "how high above the floor", "side water depth"),
    Mistake("face under the floor", 'zero_height = "11 ft"', "zero_height = -11 # <-", "signal[NORTH_B].zero_height", "under the floor", "above the floor"),
    Mistake("zero of a depth sensor", 'measures = "depth"', 'measures = "depth"\nzero_height = 14 # <-', "signal[EAST_B].zero_height", "not used", "remove", W),
    Mistake("sensor outside", 'measures = "depth"', 'measures = "depth"\ndistance_from_wall = 60 # <-', "signal[EAST_B].distance_from_wall", "outside the tank", "0 to 40 ft"),
    Mistake("ends swapped", "low = 0\nhigh = 15", "low = 15\nhigh = 0 # <-", "signal[EAST_B].high", "not above low", "smallest"),
    Mistake("no range", "low = 0\nhigh = 15\n", "low = 0\n", "signal[EAST_B].high", "fault from a value", "low and high", W),
    Mistake("range ends under the danger limit", 'measures = "depth"\nlow = 0', 'measures = "depth"\nlow = 5 # <-', "signal[EAST_B].low", "cannot report above 9 ft, but high-high is at 10 ft", "up to the weir at 14 ft"),
    Mistake("range ends under the weir", 'measures = "depth"\nlow = 0', 'measures = "depth"\nlow = 2 # <-', "signal[EAST_B].low", "ends at 12 ft, below the weir", "measures", W),
    Mistake("range misses the floor", "high = 15", "high = 5 # <-", "signal[EAST_B].high", "begins at 9 ft", "check high", W),
    Mistake("distance taken for height", 'measures = "distance"', 'measures = "height" # <-', "signal[NORTH_B].measures", "outside the tank", "check measures"),
    Mistake("range in the wrong unit", "high = 15", 'high = "15 m" # <-', "signal[EAST_B].high", "several times the depth", "check the unit", W),
    Mistake("interval longer than stale", 'measures = "depth"', 'measures = "depth"\nexpected_interval = "15 min"\nstale_after = "10 min" # <-', "signal[EAST_B].stale_after", "always be stale", '"45 min"'),
    Mistake("stale after one late value", 'measures = "depth"', 'measures = "depth"\nexpected_interval = "5 min"\nstale_after = "6 min" # <-', "signal[EAST_B].stale_after", "one late value", '"15 min"', W),
    Mistake("flat at once", 'measures = "depth"', 'measures = "depth"\nflat_after = "2 min" # <-', "signal[EAST_B].flat_after", "too short", "an hour or more"),
    Mistake("flat band alone", 'measures = "depth"', 'measures = "depth"\nflat_band = 0.1 # <-', "signal[EAST_B].flat_band", "no use", "flat_after", W),
    Mistake("status of no sensor", FLOW, FLOW + STATUS.replace("sensor = 'EAST_B'", "tank = 'east'").replace("[[signal]]", "[[signal]] # <-"), "signal[ST].sensor", "silences no sensor", 'write sensor = "EAST_B"', W),
    Mistake("status of an unknown sensor", FLOW, FLOW + STATUS.replace("EAST_B'", "EAST_BB' # <-"), "signal[ST].sensor", "no signal", 'did you mean "EAST_B"?'),
    Mistake("status of a flow meter", FLOW, FLOW + STATUS.replace("EAST_B'", "FLOW' # <-"), "signal[ST].sensor", '"FLOW" is no blanket sensor', "write one of EAST_B"),
    Mistake("status in another tank", FLOW, FLOW + STATUS + "\ntank = 'north' # <-", "signal[ST].tank", "is not the tank of EAST_B", 'write tank = "east"'),
    Mistake("two statuses of a sensor", FLOW, FLOW + STATUS + STATUS.replace("ST'", "ST2'").replace("EAST_B'", "EAST_B' # <-"), "signal[ST2].sensor", "speaks of it already", "let one signal"),
    Mistake("a status's key elsewhere", FLOW, FLOW + "\nin_service = [1] # <-", "signal[FLOW].in_service", "has no meaning for a flow signal", "remove it", W),
    Mistake("same tag twice", 'tag = "FLOW"', 'tag = "EAST_B" # <-', "signal[EAST_B].tag", "taken already, on line 26", "of its own"),
    Mistake("same address twice", 'tag = "FLOW"', 'tag = "FLOW"\naddress = "EAST_B" # <-', "signal[FLOW].address", "taken already, on line 26", "its own"),
    Mistake("number as tag", 'tag = "FLOW"', "tag = 101 # <-", "signal[#3].tag", "101 is a number", '"101" in quotes'),
    Mistake("gallons a minute as MGD", "high = 12", "high = 8000 # <-", "signal[FLOW].high", "more than any clarifier", "check the unit MGD", W),
    Mistake("gallons a day as gpm", 'unit = "MGD"\nlow = 0\nhigh = 12', 'unit = "gpd"\nlow = 0\nhigh = 12 # <-', "signal[FLOW].high", "less than any clarifier", "check the unit gpd", W),
    Mistake("milligrams as grams", FLOW, 'tag = "FLOW"\nkind = "feed_solids"\nunit = "g/L"\nlow = 0\nhigh = 6000 # <-', "signal[FLOW].high", "not a feed solids value", "was mg/L meant?", W),
    # ---- connectors
    Mistake("unknown kind of connector", 'kind = "csv"', 'kind = "cvs" # <-', "connector[export].kind", '"cvs"', 'write kind = "csv"'),
    Mistake("kind of connector missing", '[[connector]]\nkey = "export"\nkind = "csv"', '[[connector]] # <-\nkey = "export"', "connector[export].kind", "is missing", 'kind = "csv"'),
    Mistake("folder missing", 'folder = "drop"\n', "", "connector[export].folder", "is missing", "write folder"),
    Mistake("connector misspelt", FLOW, FLOW + '\nconnector = "exprot" # <-', "signal[FLOW].connector", 'no connector "exprot"', '"export"?'),
    Mistake("folder watched twice", 'folder = "drop"', 'folder = "drop"\n[[connector]]\nkey = "cores"\nkind = "csv"\nlayout = "cores"\nfolder = "drop/" # <-', "connector[cores].folder", "watched already, by export", "its own folder"),
    Mistake("readings from a core sheet", FLOW, FLOW + '\nconnector = "cores" # <-\n[[connector]]\nkey = "cores"\nkind = "csv"\nlayout = "cores"\nfolder = "cores"', "signal[FLOW].connector", "brings hand cores", "another connector"),
    Mistake("no connector", '[[connector]]\nkey = "export"\nkind = "csv"\nfolder = "drop"\n', "", "", "no [[connector]] delivers", "ingest command", W),
    Mistake("comma twice", 'folder = "drop"', 'folder = "drop"\ndelimiter = ","\ndecimal = "," # <-', "connector[export].decimal", "is the delimiter, too", '";"'),
    Mistake("unknown delimiter", 'folder = "drop"', 'folder = "drop"\ndelimiter = "/" # <-', "connector[export].delimiter", '"/" is none', "tab"),
    Mistake("unknown encoding", 'folder = "drop"', 'folder = "drop"\nencoding = "utf-61" # <-', "connector[export].encoding", 'no encoding "utf-61"', '"utf-16"'),
    Mistake("layout misspelt", 'folder = "drop"', 'folder = "drop"\nlayout = "lang" # <-', "connector[export].layout", '"lang"', 'write "long"'),
    Mistake("column misspelt", 'folder = "drop"', 'folder = "drop"\ncolumns = { tiem = "T" } # <-', "connector[export].columns.tiem", "no such key", "mean time?"),
    Mistake("column missing", 'folder = "drop"', 'folder = "drop"\nlayout = "long"\ncolumns = { time = "T", tag = "N" } # <-', "connector[export].columns", "value is missing", "value ="),
    Mistake("headings without header", 'folder = "drop"', 'folder = "drop"\nheader = false\ncolumns = { time = "T" } # <-', "connector[export].columns", "header is false", "column numbers"),
    Mistake("column zero", 'folder = "drop"', 'folder = "drop"\ncolumns = { time = 0 } # <-', "connector[export].columns.time", "0 names no column", "counted from 1"),
    Mistake("format without fields", 'folder = "drop"', 'folder = "drop"\ntime_format = "MM/DD/YYYY" # <-', "connector[export].time_format", "not a time format", "%m/%d/%Y"),
    Mistake("format without year", 'folder = "drop"', 'folder = "drop"\ntime_format = "%d.%m. %H:%M" # <-', "connector[export].time_format", "has no year", "%Y"),
    Mistake("minutes as month", 'folder = "drop"', 'folder = "drop"\ntime_format = "%Y-%m-%d %H:%m" # <-', "connector[export].time_format", "minutes as a month", "%M"),
    Mistake("twelve hours", 'folder = "drop"', 'folder = "drop"\ntime_format = "%Y-%m-%d %I:%M" # <-', "connector[export].time_format", "without %p", "%H"),
    Mistake("moved into the same folder", 'folder = "drop"', 'folder = "drop"\nprocessed_folder = "drop" # <-', "connector[export].processed_folder", "watched folder itself", "name another"),
    Mistake("set aside into the same folder", 'folder = "drop"', 'folder = "drop"\nquarantine_folder = "drop/" # <-', "connector[export].quarantine_folder", "watched folder itself", "name another"),
    Mistake("left and moved", 'folder = "drop"', 'folder = "drop"\nleave_files = true\nquarantine_folder = "bad"\nprocessed_folder = "done" # <-', "connector[export].processed_folder", "not moved", "keep one"),
    Mistake("left without a place for rejects", '[[connector]]\nkey = "export"\nkind = "csv"\nfolder = "drop"', '[[connector]] # <-\nkey = "export"\nkind = "csv"\nfolder = "drop"\nleave_files = true', "connector[export].quarantine_folder", "is missing", "write quarantine_folder"),
    Mistake("folder in the pattern", 'folder = "drop"', 'folder = "drop"\npattern = "in/*.csv" # <-', "connector[export].pattern", "names a folder", "*.csv"),
    # ---- alarms
    Mistake("alarm kind misspelt", 'kind = "high"\n', 'kind = "hihg" # <-\n', "alarm[east: hihg].kind", '"hihg"', 'write "high"'),
    Mistake("alarm of unknown tank", 'kind = "high"\ntank = "east"', 'kind = "high"\ntank = "est" # <-', "alarm[est: high].tank", 'no tank "est"', '"east"?'),
    Mistake("limit above the weir", "clearance = 4", "clearance = -1 # <-", "alarm[east: high-high].clearance", "1 ft above the weir", "below the weir"),
    Mistake("height above the weir", "clearance = 4", "blanket_height = 15 # <-", "alarm[east: high-high].blanket_height", "1 ft above the weir", "14 ft above the floor"),
    Mistake("percent without sign", 'depth_share = "25 %"', "depth_share = 25 # <-", "alarm[east: high].depth_share", "above the weir", '"25 %"'),
    Mistake("limit under the floor", 'depth_share = "25 %"', "clearance = 14 # <-", "alarm[east: high].clearance", "under the floor", "14 ft deep"),
    Mistake("limits swapped", "clearance = 4", "clearance = 12 # <-", "alarm[east: high-high].clearance", "no later than high: 11.33 ft", "nearer to the weir"),
    Mistake("deadband wider than the gap", "clearance = 4", "clearance = 4\ndeadband = 8 # <-", "alarm[east: high-high].deadband", "as wide as the gap", "less than 7.333 ft"),
    Mistake("deadband down to the floor", 'depth_share = "25 %"', 'depth_share = "25 %"\ndeadband = 4 # <-', "alarm[east: high].deadband", "only go with the blanket at the floor", "less than 2.667 ft"),
    Mistake("deadband below zero", "clearance = 4", "clearance = 4\ndeadband = -1 # <-", "alarm[east: high-high].deadband", "below zero", "or 0"),
    Mistake("two limits", "clearance = 4", "clearance = 4\nblanket_height = 10 # <-", "alarm[east: high-high].blanket_height", "second limit", "keep one"),
    Mistake("limit of another kind", "clearance = 4", 'clearance = 4\nafter = "2 h" # <-', "alarm[east: high-high].after", "does not fit", "clearance or blanket_height or depth_share"),
    Mistake("deadband without a limit", HIGH, '[[alarm]]\nkind = "bad measurement"\ndeadband = 1 # <-\n\n' + HIGH, "alarm[*: bad measurement].deadband", "has no deadband", "on_delay"),
    Mistake("same alarm twice", HIGH, '[[alarm]]\nkind = "high"\ntank = "east"\ndepth_share = 0.25\n\n[[alarm]]\nkind = "high" # <-\ntank = "east"\n', "alarm[east: high].kind", "alarm already, on line", "keep one"),
    Mistake("limit of zero", HIGH, '[[alarm]]\nkind = "rate of change"\nrate = 0 # <-\n\n' + HIGH, "alarm[*: rate of change].rate", "not above zero", "enabled = false"),
    Mistake("delay longer than the response", "clearance = 4", 'clearance = 4\non_delay = "20 min" # <-\ntime_to_respond = "15 min"', "alarm[east: high-high].on_delay", "uses up all", "1 min", W),
    Mistake("danger switched off", "clearance = 4", "clearance = 4\nenabled = false # <-", "alarm[east: high-high].enabled", "switches the danger alarm off", "nobody is called", W),
    Mistake("danger less urgent", "clearance = 4", 'clearance = 4\npriority = "low" # <-', "alarm[east: high-high].priority", "lower than", '"high"', W),
    Mistake("system alarm of a tank", HIGH, '[[alarm]]\nkind = "system"\nwatch = "clock"\ntank = "east" # <-\n\n' + HIGH, "alarm[east: system].tank", "no meaning", "remove"),
    Mistake("system alarm of nothing", HIGH, '[[alarm]]\nkind = "system"\n\n' + HIGH, "alarm[*: system].watch", "is missing", '"connector"'),
    Mistake("system alarm of unknown connector", HIGH, '[[alarm]]\nkind = "system"\nwatch = "connector"\nconnector = "exprt" # <-\n\n' + HIGH, "alarm[*: system].connector", 'no connector "exprt"', '"export"?'),
    Mistake("watch of a tank alarm", "clearance = 4", 'clearance = 4\nwatch = "clock" # <-', "alarm[east: high-high].watch", "only fits", "remove"),
    # ---- contacts
    Mistake("nobody reachable", CONTACT, 'name = "Night"\n', "contact[Night].email", "nobody can be reached", "email, or phone"),
    Mistake("mail address", "night@example.org", 'night.example.org" # <-', "contact[Night].email", "not an e-mail address", "night@example.org"),
    Mistake("national number", CONTACT, CONTACT + 'phone = "555-010-0199" # <-\n', "contact[Night].phone", "international", '"+15550100199"'),
    Mistake("dialled number", CONTACT, CONTACT + 'phone = "0049 30 1234567" # <-\n', "contact[Night].phone", "international", '"+49301234567"'),
    Mistake("channel without address", CONTACT, CONTACT + 'channels = ["sms"] # <-\n', "contact[Night].channels", '"sms" needs phone', "write phone"),
    Mistake("no channel", CONTACT, CONTACT + "channels = [] # <-\n", "contact[Night].channels", "is empty", "leave it out"),
    Mistake("channel misspelt", CONTACT, CONTACT + 'channels = ["emial"] # <-\n', "contact[Night].channels.0", '"emial"', 'write "email"'),
    Mistake("one value for a list", CONTACT, CONTACT + 'channels = "email" # <-\n', "contact[Night].channels", "not a list", '["email"]'),
    Mistake("contact of unknown tank", CONTACT, CONTACT + 'tanks = ["nord"] # <-\n[[contact]]\nname = "Day"\nemail = "day@example.org"\n', "contact[Night].tanks", 'no tank "nord"', '"north"?'),
    Mistake("contact twice", CONTACT, CONTACT + '[[contact]]\nname = "night" # <-\nemail = "other@example.org"\n', "contact[night].name", "taken already", "of its own"),
    Mistake("no contact", "[[contact]]\n" + CONTACT, "", "", "nobody is told", "[[contact]]", W),
    # ---- writing
    Mistake("quote not closed", 'key = "east"', 'key = "east # <-', "key", "opened but not closed", "write key = "),
    Mistake("no quotes", 'units = "us"', "units = us # <-", "units", "us must stand in quotes", 'write units = "us"'),
    Mistake("unit without quotes", "diameter = 80", "diameter = 80 ft # <-", "diameter", "80 ft must stand in quotes", '"80 ft"'),
    Mistake("ratio without quotes", 'floor_slope = "1:12"', "floor_slope = 1:12 # <-", "floor_slope", "1:12 must stand in quotes", '"1:12"'),
    Mistake("decimal comma", "diameter = 80", "diameter = 80,5 # <-", "diameter", "decimal comma", "write diameter = 80.5"),
    Mistake("colon", 'units = "us"', 'units: "us" # <-', "units", "colon", 'write units = "us"'),
    Mistake("yes", "clearance = 4", "clearance = 4\nlatching = yes # <-", "latching", "not how yes and no", "latching = true"),
    Mistake("backslashes", 'folder = "drop"', 'folder = "C:\\plant\\drop" # <-', "folder", "backslash in double quotes", "'C:\\plant\\drop'"),
    Mistake("curly quotes", 'units = "us"', "units = “us” # <-", "units", "curly quotes", "straight quotes"),
    Mistake("no value", CONTACT, CONTACT + "phone =  # <-\n", "phone", "no value", "remove the line"),
    Mistake("blanks in a key", "side_water_depth = 14", "side water depth = 14 # <-", "", '"side water depth" has blanks', "write side_water_depth = 14"),
    Mistake("half a heading", "[[connector]]", "[[connector] # <-", "", "is not a heading", "write [[connector]]"),
    Mistake("comma of thousands", FLOW, FLOW.replace("MGD", "gpm").replace("12", "8,000 # <-"), "high", "8,000 has a comma", "high = 8000, or 8.000 if"),
    Mistake("no digit before the point", "diameter = 80", "diameter = .5e2 # <-", "diameter", "must stand in quotes", '".5e2"'),
    Mistake("point without a digit", "weir_length = 251", "weir_length = 251. # <-", "weir_length", "lacks a digit", "write weir_length = 251.0"),
    Mistake("leading zero", "weir_length = 251", "weir_length = 0251 # <-", "weir_length", "begins with a zero", "write weir_length = 251"),
    Mistake("hard blank", "clearance = 4", "clearance =\u00a04 # <-", "clearance", "hard blanks", "plain text editor"),
    Mistake("long dash", FLOW, FLOW.replace("= 0", "= –0 # <-"), "low", "long dashes", "plain text editor"),
    Mistake("braces over several lines", 'folder = "drop"', 'columns = { # <-\n  time = "T",\n  tag = "N",\n  value = "V",\n}\nfolder = "drop"', "columns", "several lines", 'columns = { time = "T", tag = "N", value = "V" }'),
    Mistake("brace left open", CONTACT, CONTACT + 'units = { # <-', "units", "not closed", "}"),
    Mistake("twice in a table", "clearance = 4", "clearance = 4\nclearance = 5 # <-", "clearance", "stands twice", "keep one"),
    Mistake("loose words", "[[contact]]", "who to call # <-\n[[contact]]", "", "neither a heading", "begin the line with #"),
]
# fmt: on


@pytest.mark.parametrize("mistake", MISTAKES, ids=lambda m: m.name)
def test_a_mistake_is_found_where_it_stands_and_nothing_else(mistake: Mistake) -> None:
    assert mistake.old in BASE
    text = BASE.replace(mistake.old, mistake.new, 1)
    marked = [number for number, row in enumerate(text.splitlines(), 1) if MARK in row]

    findings = check_site(text)

    assert [f.field for f in findings] == [mistake.field], "\n".join(f.text("base.toml") for f in findings)
    (finding,) = findings
    assert finding.severity is mistake.severity
    assert mistake.problem in finding.problem
    assert mistake.remedy in finding.remedy
    if marked:
        assert [finding.line] == marked


def test_the_file_the_mistakes_are_made_in_is_sound() -> None:
    assert check_site(BASE) == []


def test_names_of_mistakes_are_their_own() -> None:
    assert len({m.name for m in MISTAKES}) == len(MISTAKES)
