"""Files that a site file names and that are read only when listening begins: they lie beside it, wherever that is."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from harness.core.links import LinkSpec, MqttLink, Tls
from harness.core.model import Site


def with_files_beside(site: Site, folder: Path) -> Site:
    """The site with the certificate files of its links as they are found from ``folder``, that of the site file."""
    return replace(site, links={name: _found_from(folder, link) for name, link in site.links.items()})


def _found_from(folder: Path, link: LinkSpec) -> LinkSpec:
    if not isinstance(link, MqttLink) or link.tls is None:
        return link

    def beside(name: str | None) -> str | None:
        return None if name is None else str(folder / name)

    tls = link.tls
    return replace(
        link,
        tls=Tls(
            ca_file=beside(tls.ca_file),
            certificate_file=beside(tls.certificate_file),
            key_file=beside(tls.key_file),
        ),
    )
