"""The sentences of the audit list: what somebody did, in the reader's language, from what was noted of it.

An action without a sentence here is shown as it was noted. Names in the sentences are those of the noted details.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.report.language import gettext, marked
from service.report.words import listed

TOKEN, COMMAND_LINE = "token", "command line"
NO_PEOPLE = {COMMAND_LINE: marked("A command on the server"), "the readings": marked("The readings")}
"""How those are noted who are no people; programs are `token NAME`."""

DEEDS = {
    "site.made": marked("%(who)s made the site %(site)s with %(units)s units on the record."),
    "site.removed": marked("%(who)s removed the site %(site)s with all that was held of it."),
    "record.replaced": marked("%(who)s replaced the record; it has %(units)s units now."),
    "record.begun": marked("%(who)s made the site with %(units)s units on the record."),
    "record.changed": marked("%(who)s changed the record by hand (change %(number)s)."),
    "record.undone": marked("%(who)s undid change %(number)s of the record."),
    "record.redone": marked("%(who)s made change %(number)s of the record again."),
    "readings.imported": marked("%(who)s read readings from the file %(file)s."),
    "mapping.removed": marked("%(who)s removed the answers remembered as %(name)s for files."),
    "weather.imported": marked("%(who)s read weather from the file %(file)s."),
    "correction.accepted": marked("%(who)s accepted correction %(number)s of the record."),
    "correction.undone": marked("%(who)s undid correction %(number)s of the record."),
    "feed.made": marked("%(who)s added the feed %(topic)s."),
    "feed.changed": marked("%(who)s changed the feed %(topic)s."),
    "feed.removed": marked("%(who)s removed the feed %(topic)s."),
    "owner_link.made": marked("%(who)s made a link for the owner."),
    "owner_link.revoked": marked("%(who)s took the link for the owner back."),
    "punch.opened": marked("%(who)s put entry %(entry)s on the punch list."),
    "punch.looked_at": marked("%(who)s looked at entry %(entry)s of the punch list."),
    "punch.mended": marked("%(who)s marked entry %(entry)s of the punch list mended."),
    "punch.left": marked("%(who)s left entry %(entry)s of the punch list as it is."),
    "punch.note": marked("%(who)s wrote a note on entry %(entry)s of the punch list."),
    "punch.given": marked("%(who)s said who sees to entry %(entry)s of the punch list, or until when."),
    "punch.replaced": marked("%(who)s replaced the unit of entry %(entry)s of the punch list."),
    "punch.corrected": marked(
        "%(who)s corrected the record, which settles entry %(entry)s of the punch list."
    ),
    "punch.closed": marked("%(who)s closed entry %(entry)s of the punch list."),
    "punch.not_mended": marked("%(who)s showed that entry %(entry)s of the punch list is not mended."),
    "punch.reopened": marked("%(who)s opened entry %(entry)s of the punch list again."),
    "assignment.made": marked("%(who)s assigned the site to %(name)s."),
    "assignment.ended": marked("%(who)s took the site away from %(name)s."),
    "account.made": marked("%(who)s made an account for %(name)s (%(role)s)."),
    "account.invited": marked("%(who)s invited %(name)s (%(role)s)."),
    "account.joined": marked("%(who)s followed the invitation and chose a password."),
    "account.link_made": marked("%(who)s made a link by which %(name)s can set a new password."),
    "account.password_set": marked("%(who)s set a new password by the link."),
    "account.password_changed": marked("%(who)s changed the password of %(name)s."),
    "account.signed_out": marked("%(who)s signed out everywhere."),
    "account.disabled": marked("%(who)s disabled the account of %(name)s."),
    "account.enabled": marked("%(who)s enabled the account of %(name)s again."),
    "account.role": marked("%(who)s gave %(name)s another role: %(role)s."),
    "token.made": marked("%(who)s made the token %(name)s: %(reach)s."),
    "token.revoked": marked("%(who)s ended the token %(name)s."),
}

WITHOUT_ENTRY = {
    "punch.looked_at": marked("%(who)s looked at %(serials)s."),
    "punch.mended": marked("%(who)s marked %(serials)s mended."),
    "punch.left": marked("%(who)s left %(serials)s as it is."),
    "punch.note": marked("%(who)s wrote a note on %(serials)s."),
    "punch.replaced": marked("%(who)s replaced %(serials)s."),
}
"""What is done to units that are on no punch list."""

PLAIN = marked("%(who)s: %(action)s (%(details)s)")

IN_WORDS = {
    "office": marked("office"),
    "installer": marked("installer"),
    "all, read and write": marked("all sites, to read and to write"),
    "all, read only": marked("all sites, to read only"),
    "site, read and write": marked("one site, to read and to write"),
    "site, read only": marked("one site, to read only"),
}
"""Words that are noted as such and said in the reader's language."""


def in_words(noted: Any) -> str:
    """Return a noted word in the reader's language and several as a sentence lists them, anything else as it is."""
    if isinstance(noted, list):
        return listed(in_words(one) for one in noted)
    return gettext(IN_WORDS[noted]) if isinstance(noted, str) and noted in IN_WORDS else str(noted)


def doer(who: str) -> str:
    """Return who did something: a person's name, a program's token, or a command on the server."""
    if who in NO_PEOPLE:
        return gettext(NO_PEOPLE[who])
    kind, _, name = who.partition(" ")
    return gettext("The token %(name)s") % {"name": name} if kind == TOKEN and name else who


def deed(who: str, action: str, details: Mapping[str, Any]) -> str:
    """Return the sentence for what was noted; plainly what was noted if there is no sentence or a detail is missing."""
    said = {name: in_words(value) for name, value in details.items() if value is not None}
    sentence = (DEEDS if "entry" in said else {**DEEDS, **WITHOUT_ENTRY}).get(action)
    if sentence is not None:
        try:
            return gettext(sentence) % {**said, "who": doer(who)}
        except KeyError:
            pass
    told = ", ".join(f"{name} {value}" for name, value in details.items())
    return (
        gettext(PLAIN) % {"who": doer(who), "action": action, "details": told}
        if told
        else f"{doer(who)}: {action}"
    )
