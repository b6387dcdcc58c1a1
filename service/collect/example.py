"""A configuration with every setting that there is, to begin one's own from: what `collect example` prints."""

from __future__ import annotations

from collections.abc import Collection

BEGINNING = """\
# What is commented out shows what holds without it, unless it says otherwise. Secrets come from a file (token_file,
# password_file) or from the environment (token_env, password_env). Paths in a payload are JSONPath (RFC 9535).

[service]
url = "https://roofs.example"
site = "k3v9t2mm4q"                       # the id in the address of the site's page
token_file = "/etc/yieldproof/token"      # yieldproof token create --name barn --site ID
# ca_file = "/etc/yieldproof/ca.pem"      # of whoever signed its certificate, if that is not publicly known
# verify = true                           # false takes any certificate
# timeout_s = 60

[collector]
outbox = "/var/lib/yieldproof/outbox.sqlite"
interval_min = 5                          # 5, 10, 15, 30 or 60
# largest_mb = 2000                       # years of a roof; when it is full nothing more is read, what it holds stays
# send_every_s = 15
# newest_first = true                     # after days offline today comes first
"""

PAYLOAD = """\
values = { counter_wh = "@.energy", ac_voltage_v = { path = "@.grid.mv", factor = 0.001 } }
# Values: power_w or power_kw; one of counter_wh, counter_kwh, energy_wh and energy_kwh; dc_voltage_v, ac_voltage_v,
# frequency_hz, temperature_c, signal_pct.
# time = { path = "@.at", timezone = "Europe/Berlin" }    # else the moment of arrival; the zone if it has no offset
# label = "end"                           # of energies, which need a time: whether it is the interval's start or end
# interval_min = 5                        # else the collector's
# format = "json"                         # or "number", where a message is one
"""

KINDS = {
    "http": f"""\
[[source]]                                # a device that answers over HTTP
kind = "http"
name = "hub in the barn"
url = "http://192.0.2.10/api/units"
# every_s = 60
# timeout_s = 20
auth = {{ kind = "digest", user = "reader", password_env = "HUB_PASSWORD" }}    # or basic; or bearer with token_file
# headers = {{ Accept = "application/json" }}                    # none
# ca_file = "/etc/yieldproof/hub.pem"     # for https with a certificate that is not publicly known
# verify = true
# serials = {{ "3" = "482913377003" }}      # units that the device calls otherwise than the record
# format = "json"                         # "csv"; "file" forwards the answer whole, and then there is no payload
# csv = {{ delimiter = ",", decimal = "point", encoding = "utf-8", headings = [] }}     # paths such as @['Power (W)']
# days = {{ timezone = "Europe/Berlin", back = 7, written = "%Y-%m-%d" }}    # where the url has {{date}} in it
# mapping = "hub"                         # of files: the answers kept on the site's page under that name
[source.payload]
rows = "$.units"                          # where the list is that has an entry for each unit; $ for an answer of one
serial = {{ path = "@.sn" }}                # or member = true (the name that the row has), or constant = "…"
{PAYLOAD}""",
    "mqtt": f"""\
[[source]]                                # devices that publish on a broker; what the service's own feeds want of
kind = "mqtt"                             # brokers and devices, holds here, too
name = "broker in the cellar"
url = "mqtts://reader@192.0.2.12:8883"
password_env = "BROKER_PASSWORD"
# ca_file = "/etc/yieldproof/broker.pem"
client_id = "yieldproof-collector"        # another one for each source at a broker
topic = "barn/+serial/state"              # + stands for one level and may have a name, # at the end for all that follow
# serials = {{ "3" = "482913377003" }}
[source.payload]
rows = "$"                                # $ for a message of one unit; where the list is in one of many
serial = {{ level = "serial" }}             # of the topic; or path = "@.sn", member = true, constant = "…"
{PAYLOAD}""",
    "sunspec": """\
[[source]]                                # devices that describe themselves by SunSpec models, over Modbus TCP
kind = "sunspec"
name = "gateway in the loft"
host = "192.0.2.20"
devices = [1, 2, 3]
# port = 502
# every_s = 60
# timeout_s = 3
# interval_min = 5
serials = { "3" = "482913377003" }        # where a device's own serial is not the record's
# inputs = false                          # true reads the inputs of one inverter apart, on their DC side
# The energy counter is taken if it counts in steps of 1 Wh or less, else the power.
""",
    "modbus": """\
[[source]]                                # devices on Modbus TCP whose manual lists their registers; only ever read
kind = "modbus"
name = "box at the meter"
host = "192.0.2.21"
# port = 502
# every_s = 60
# timeout_s = 3
# interval_min = 5
unit = [
  { serial = "482913377004", device = 1 },
  { serial = "482913377005", device = 1, offset = 100 },        # the same registers so much further on
]
register = [                              # addresses count from 0, as on the wire: 40001 of a manual is 0
  { kind = "counter_wh", address = 40, type = "uint32" },       # int16 to uint64, float32, float64
  { kind = "ac_voltage_v", address = 44, type = "uint16", factor = 0.1, missing = [65535] },
  # table = "holding" (or "input"), words = "big" (or "little"); missing is what it writes where it has no value
]
""",
    "folder": """\
[[source]]                                # a folder into which another program exports files
kind = "folder"
name = "gatehouse"
path = "/srv/exports"
pattern = "*.csv"
mapping = "gatehouse"                     # the answers kept on the site's page under that name
# subfolders = false
# every_s = 60
# settle_s = 10                           # a file is taken once it has kept its size for so long
""",
}


def example(kinds: Collection[str] = ()) -> str:
    """Return a configuration with sources of these kinds, of all without any."""
    return "\n".join([BEGINNING, *(text for kind, text in KINDS.items() if not kinds or kind in kinds)])
