"""Tries a configuration without keeping anything: is every source reached, and does the service know site and token?"""

from __future__ import annotations

from collections.abc import Iterator

from service.collect.clock import TOLD_S
from service.collect.config import Config, SourcePart, Trust
from service.collect.service import Later, NotTaken, Service
from service.collect.trouble import Trouble


def findings(config: Config) -> Iterator[tuple[bool, str]]:
    """Give for the service and each source whether it is well, and what was found."""
    yield _service(config)
    for source in config.sources:
        yield _source(source)
    for part, name in ((config.service, "service"), *((s, s.name) for s in config.sources)):
        if isinstance(part, Trust) and not part.verify:
            yield (
                True,
                f"{name}: verify = false takes any certificate: whoever is on the network may listen and answer.",
            )


def _service(config: Config) -> tuple[bool, str]:
    service = Service(config.service)
    try:
        record = service.look()
    except Later as later:
        return False, f"service: {later.trouble}"
    except NotTaken as refusal:
        return False, f"service: {refusal}"
    finally:
        service.close()
    off = service.compared
    clocks = (
        f"; this machine's clock is {off.ahead_s:.0f} s ahead" if off and abs(off.ahead_s) > TOLD_S else ""
    )
    return (
        True,
        f"service: knows the site “{record.get('name')}” with {len(record.get('units', []))} units{clocks}",
    )


def _source(source: SourcePart) -> tuple[bool, str]:
    try:
        return True, f"{source.name}: {source.probe()}"
    except Trouble as trouble:
        return False, f"{source.name}: {trouble}"
    except Exception as error:  # one source does not keep the others from being tried
        return False, f"{source.name}: It could not be tried ({type(error).__name__}: {error})."
