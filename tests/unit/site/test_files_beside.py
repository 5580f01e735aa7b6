"""Certificate files are found from the site file's folder, not from where farend was started."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from harness.core.errors import Origin
from harness.core.links import MqttLink, Tls
from harness.site.files_beside import with_files_beside
from harness.site.profiles import profiles_folder
from harness.site.reading import load_site


def test_files_beside_the_site_file() -> None:
    site, _ = load_site(profiles_folder() / "demo" / "site.yaml")
    tls = Tls(ca_file="ca.pem", certificate_file="/etc/farend/client.pem")
    link = MqttLink(name="m", host="h", port=1, timeout_ns=1, tls=tls, origin=Origin(file="site.yaml", line=1))
    found = with_files_beside(replace(site, links={**site.links, "m": link}), Path("/sites/one"))
    mine = found.links["m"]
    assert isinstance(mine, MqttLink)
    assert mine.tls == Tls(ca_file="/sites/one/ca.pem", certificate_file="/etc/farend/client.pem")
    assert {name: it for name, it in found.links.items() if name != "m"} == site.links
