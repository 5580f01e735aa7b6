"""A small site with something of everything: alarms with and without side effects, a transient, a printed line."""

from __future__ import annotations

from harness.core.model import Site
from harness.site.reading import Documents, read_site

TEXT = """\
site: ashby
title: Ashby pumping station (invented)
controller: {name: c}
links:
  panel: {modbus-tcp: "127.0.0.1:9", numbering: from-0, poll every: 20 ms, timeout: 200 ms}
  bms: {modbus-tcp: "127.0.0.1:9", numbering: from-0, poll every: 100 ms, timeout: 200 ms}
  log: {text+tcp: "127.0.0.1:9", raised: 'ON {text}', cleared: 'OFF {text}', longest delay: 300 ms,
        promises every change: yes}
defaults: {appears within: 1 s, gone within: 2 s, search: 3 s, settle: 400 ms, shortest leak: 500 ms}
side effects:
  stops-pump: {text: stops the pump, hazard: the cellar fills, safeguard: a person at the pump}
  shuts-valve: {text: shuts the valve, hazard: pressure, safeguard: no delivery}
stimulus:
  raise: {link: panel, holding register: 900, values: [code, 1]}
  acknowledge: {link: panel, holding register: 900, values: [code, 3]}
  clear: {link: panel, holding register: 900, values: [code, 4]}
writable:
  - {link: panel, holding register: 900-901}
alarms:
  a.high-high: {text: A HIGH HIGH, code: 1, side effects: [stops-pump, shuts-valve], also raises: a.high}
  a.high: {text: A HIGH, code: 2, side effects: none, reference: panel-high}
  a.low: {text: A LOW, code: 3, side effects: stops-pump}
  b.leak: {text: B LEAK, code: 4, side effects: none, lasts: 1 s +/- 100 ms}
  b.due: {text: B DUE, code: 5, side effects: none, class: warning}
points:
  - {alarm: a.high-high, link: bms, table: discrete-input, address: 0, behaviour: follows, point: hh}
  - {alarm: a.high, link: bms, table: discrete-input, address: 1, behaviour: follows, point: high, visible for: 3 s}
  - {alarm: a.high, link: log, behaviour: follows, point: high-printed}
  - {alarm: b.leak, link: panel, table: discrete-input, address: 1, behaviour: quiet, point: panel-high}
  - {alarm: a.low, link: bms, table: holding-register, address: "100.2", behaviour: latched,
     point: low}
  - {alarm: b.leak, link: bms, table: discrete-input, address: 3, behaviour: follows, point: leak}
  - {alarm: b.due, link: bms, table: discrete-input, address: 4, behaviour: quiet, point: due}
"""


def site_of(*changes: tuple[str, str]) -> Site:
    """The small site, with texts of its file replaced; each must be there once."""
    return read_site(documents(*changes).files, "site.yaml")[0]


def documents(*changes: tuple[str, str]) -> Documents:
    text = TEXT
    for old, new in changes:
        assert text.count(old) == 1, (old, text.count(old))
        text = text.replace(old, new)
    return Documents(files={"site.yaml": text.encode()}, entry="site.yaml", point_map="")
