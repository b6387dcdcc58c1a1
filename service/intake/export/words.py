"""Generic words, in the languages of Europe's larger trades, by which columns and lines are recognised.

No program's own names stand here.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from service.intake.export.scale import without_factor

_B, _E = r"(?<![^\W\d_])", r"(?![^\W\d_])"
"""Before and after a word: no letter."""

TIME = re.compile(
    r"time|date|stamp|zeit|datum|moment|uhr|fecha|hora|heure|horodat|giorno|ora\b|data\b|tijd|czas|tid\b|врем|дата"
    r"|\bnap\b|óra",
    re.I,
)
SERIAL = re.compile(
    r"serial|unit|device|inverter|serien|ger(ä|ae)t|wechselrichter|modul|panel|onduleur|appareil|num[ée]ro|inversor"
    r"|equipo|dispositivo|omvormer|apparaat|seriale|matricola|falownik|серийн|инвертор|модул|панел|módul"
    r"|moduł|modül|paneel|panneau|pannell|painel|panou|πάνελ|πλαίσι|パネル|モジュール|组件|組件|모듈|패널|tấm"
    rf"|{_B}(s/?n|id|name|nr|no){_E}",
    re.I,
)
_BEGINNING = (
    r"start|begin|beginning|anfang|beginn|d[ée]but|inicio|principio|comienzo|in[ií]cio|inizio|aanvang|pocz[ąa]t\w*"
    r"|za[čc][áa]t\w*|kezdet\w*|b[öo]rja\w*|begynn\w*|alku\w*|başlang\w*|poč(?:etak|iatok)\w*|начал\w"
    r"|[îi]ncep\w*|zače\w*|prad[žz]i\w*|s[āa]kum\w*|algus\w*|inici|έναρξη\w*|αρχή|почат\w*|почет\w*|mulai|mula"
    r"|bắt đầu|بدء|البدء|بداية|البداية|התחלה|תחילת|प्रारंभ|शुरू|เริ่ม\w*"
)
_ENDING = (
    r"ends?|ende|fin|final|fim|fine|einde?|slut\w*|koniec|kon[ce]\w{1,2}|v[ée]g[eé]\w*|loppu\w*|bitiş\w*"
    r"|кон[ец]\w|sf[âa]r[șşs]it\w*|kraj\w*|край|кінец\w*|pabaig\w*|beig\w*|l[õo]pp\w*|λήξη\w*|τέλος|selesai|tamat"
    r"|kết thúc|انتهاء|الانتهاء|نهاية|النهاية|סיום|סוף|समाप्त\w*|สิ้นสุด\w*"
)
_PREPOSITIONS = {
    "from": "from|von|desde|depuis|vanaf|van|od",
    "to": r"until|till|bis|to|hasta|jusqu\w*|fino|tot",
}
START = re.compile(
    rf"start|begin|anfang|ab\s+wann|başlan|{_B}({_BEGINNING}|{_PREPOSITIONS['from']}){_E}|^\W*dal?{_E}|開始|开始|시작",
    re.I,
)
END = re.compile(
    rf"{_B}({_ENDING}|ending|{_PREPOSITIONS['to']}){_E}|^\W*do{_E}|endzeit|intervallende|period_?end"
    r"|終了|结束|結束|종료",
    re.I,
)
COUNTER = re.compile(
    r"total|cumul|counter|meter|lifetime|running|z(ä|ae)hler|gesamt|kumul|today|heute|compteur|contador|contatore|acumul"
    rf"|累計|累计|積算|누적|teller|licznik|сч[её]тчик|hoy|oggi|vandaag|aujourd|since|{_B}(index|stand|register|reading|daily){_E}",
    re.I,
)
POWER = re.compile(
    rf"power|leistung|puissance|potencia|pot[êe]ncia|potenza|vermogen|мощност"
    rf"|{_B}(moc|watts?(?![ -]?(hour|stunde|heure|hora|ora|ore|uur|tim))|p_?ac|pac){_E}",
    re.I,
)
ENERGY = re.compile(
    rf"energ|[ée]nerg|yield|ertrag|produ[ck]|produz|erzeugung|einspeisung|opbrengst|generat|generaci|энерги|{_B}e_?ac{_E}",
    re.I,
)
ENERGY_ALONE = re.compile(r"energ|[ée]nerg|yield|ertrag|энерги", re.I)
"""Words that are not said of a power, as production and generation are."""
NOT_MADE = re.compile(
    rf"expect|forecast|predict|theoret|set ?point|erwart|prognos|prévi|previs"
    rf"|{_B}(benchmark|reference|referenz|previous|vorherig\w*|preceding|deviation|abweichung|differen[cz]\w*|errors?"
    rf"|limits?|targets?|rated|nominal|capacity|plan(ned)?|soll|nenn\w*|grenz\w*|max(imum|imal)?|peak|spitze"
    rf"|model(led)?|simul\w*"
    rf"|(?<!\d)(?<!\d )(?<!per )(?<!five )(?<!ten )(?<!teen )(?<!ty )min(imum|imal)?){_E}",
    re.I,
)
"""What stands beside what was made, and is not it: a bound, an extreme, what was to be made."""

CONSUMED = re.compile(
    rf"consum|verbrauch|bezug|bezogen|autoconsum|prelievo|pr[ée]l[eè]v|soutirage|pobór|verbruik|afname"
    rf"|{_B}(imports?|imported|load|demand|last|taken|drawn){_E}",
    re.I,
)
FED = re.compile(
    rf"generat|produ[ck]|produz|erzeug|einspeis|liefer|geliefert|inject|inye[ck]|immess|teruglever|measured|gemessen|mesur"
    rf"|misurat|medid|{_B}(exports?|exported|actual|ist|yield|ertrag|delivered|made|fed|this|current){_E}",
    re.I,
)
"""Of two energies of one unit: what it took, and what it made or was measured."""

FROM_DC = re.compile(rf"{_B}([pe]?_?dc){_E}", re.I)
RECEIVED = re.compile(
    r"receiv|server|\bsent|export|creat|insert|logged|ingest|updat|upload|arriv|empf|gesend|gespeich|angelegt|re[cç]u|envoi"
    r"|recib|enviad|ricev|inviat|ontvang|verzond",
    re.I,
)
"""Of a time: when a program heard of a value, or wrote it down."""

NUMBER_OF_ROW = re.compile(
    r"\W*(#|id|row|row[ _]?(no|nr|id|number)|no\.?|nr\.?|n[°º]|index|line|zeile|lfd\.?[ _]?nr\.?"
    r"|seq(uence)?|ligne|fila|riga|regel)\W*",
    re.I,
)
DURATION = re.compile(
    rf"{_B}(duration|dauer|length|l[äa]nge|dur[ée]e|duraci[oó]n|durata|duur)[\s_]*[\[(]?(?:in )?"
    rf"(s|sec|seconds|sek|sekunden|min|minutes|minuten)[\])]?{_E}",
    re.I,
)
_OF_TIME = (
    r"(interval|period|p[ée]riod|per[ií]od|zeitr[aä]um|viertelstund|stund|quarter|hour|half|heure|hora|ora\b"
    r"|quart|uur|kwartier|tijdvak|przedzia|okres|godzin|hodin|időszak|jakso|интервал|период|час)"
)
_INTERVAL = rf"(?:[\s'\u2019]+[\w-]+){{0,3}}?[\s'\u2019]+{_OF_TIME}"
_NO_DATE = r"(?!\w{0,10}\W{1,4}(\d{1,4}[-./]\s?\d|\d{1,2}\.?\s[^\W\d_]{3,12}\s\d{4}|[^\W\d_]{3,12}\s\d{1,2},?\s\d{4}))"
"""Behind the end of a period, whose date it would be."""

LABEL_START = re.compile(
    rf"({_B}({_BEGINNING}){_E}{_INTERVAL}|{_OF_TIME}\w*[ -]({_BEGINNING}){_E}"
    rf"|(intervall|zeitraum|periode)(s|n)?(anfang|beginn|start)){_NO_DATE}",
    re.I,
)
LABEL_END = re.compile(
    rf"({_B}({_ENDING}){_E}{_INTERVAL}|{_OF_TIME}\w*[ -]({_ENDING}|ending){_E}"
    rf"|(intervall|zeitraum|periode)(s|n)?ende?){_NO_DATE}",
    re.I,
)
"""What a sentence above a table says of its times."""

MIDDLE = re.compile(
    r"\b(middle|cent(er|re)) of|mid-?(interval|point|period)|mitte\b|milieu\b|met[àa] dell|mitad del|midden\b",
    re.I,
)
OTHER = re.compile(
    rf"{_B}(duration|dauer|dur[ée]e|duraci[oó]n|durata|duur){_E}|volt|spannung|current|strom|freq|fr[ée]q|temp|signal|status|state|error|fehler|tensi|spanning|courant|corriente|corrente"
    r"|irradi|einstrahl|humid|wind|rssi|efficien|wirkungsgrad|cos ?phi|power factor|leistungsfaktor|price|preis|cost"
    rf"|{_B}([ui]_?[ad]c|uac|udc|iac|idc|vac|vdc|hz|var|va|dbm?|m/s|w/m2|w/m²|eur|usd){_E}|°\s?[cf]{_E}|%|[€$£]"
    r"|[\[(]\s*(v|a|ma|mv|k|ms|s|min|h)\s*[\])]|\bin (v|a)$|\sV$|^[vaiu]$|/\s?kw_?p",
    re.I,
)
PHASE = re.compile(rf"{_B}(phases?|phasen?|fases?|fasi|faz[ay]|fas|fase|vaihe){_E}", re.I)
ZONE = re.compile(r"zone|offset|utc|gmt|\btz\b|versatz|d[ée]calage|desfase|fuso|fuseau", re.I)
ZONE_NAME = re.compile(r"\b[A-Z][A-Za-z]+/[A-Z][A-Za-z_]+\b")
_UNIT = re.compile(r"(?<![A-Za-z/])(k?)(wh?)(?![A-Za-z/²0-9])", re.I)
_HOURS_APART = re.compile(
    r"(?<![A-Za-z/])(k|M)?w\s?[ .*\u00b7\u2022\u2219\u22c5\u00d7-]\s?h(?![A-Za-z])", re.I
)
"""As the SI writes products of units: W h, W·h, W.h."""

_OF_INTERVAL = re.compile(
    rf"(?<=wh)\s?/\s?(\d{{1,2}}\s?)?(min(utes?|uten)?|intervall?o?s?|periode?s?|viertelstunde|quart){_E}",
    re.I,
)
"""An energy over its interval is that of it."""
_IN_WORDS = re.compile(
    rf"{_B}(kilo)?wat(?:t|io)?s?(?:[ -]?(hours?|stunden?|heures?|horas?|ora|ore|uur|timmar|timer|godzin\w*))?{_E}",
    re.I,
)
_SYMBOL_OVER = re.compile(rf"{_B}(?:[EPW](?:_\w{{1,12}})?|energ\w*|power|leistung) ?/ ?(?=k?wh?{_E})", re.I)
"""A quantity over its unit, as `E/Wh`; a price over one is none."""
_OTHER_MEASURE = re.compile(
    r"[\[(]\s*([kMG]?J|[mMG]Wh?|[kM]?Ws|k?V[Aa][rR]?h?|m?Ah?|BTU|k?Wh?/k?Wp?)\s*[\])]|\s(kJ|MJ|mWh|MWh|GWh|kVA|BTU|k?Wh?/k?Wp)$"
)
_MEASURE = re.compile(
    r"(k?wh?|k?w[ .*\u00b7\u2022\u2219\u22c5\u00d7-]h"
    r"|m?v|m?a|hz|°?[cf]|%|ac|dc|per|in|interval\w*|value|wert|avg|mean|mittel\w*|p|e)",
    re.I,
)

MISSING = frozenset((
    "", "-", "--", "---", "…", "...", ".", "x", "*", "?", "\u2013", "\u2014", "\u2212",
    "n/a", "na", "n.a.", "n. a.", "n/d",
    "nd", "s/d", "nan", "nil", "null", "none", "missing", "offline", "no data", "nodata", "fehlt", "keine daten",
    "unavailable", "unknown",
    "k.a.", "k. a.",
    "#n/a", "#nv", "#n/v", "#ref!", "#value!", "#wert!", "#bezug!", "#div/0!", "\\n",
))  # fmt: skip

DASHES = frozenset(("-", "--", "---", "\u2013", "\u2014", "\u2212"))
"""Missing, unless a file writes its nights so."""

_REMARK = re.compile(
    r"[\W_]*(?:(?:tages|monats|wochen|zwischen)-?|(?:daily|day'?s?|monthly|weekly) )?"
    r"(sums?|sub-?totals?|totals?|grand total|summen?|gesamt(summe|ertrag)?|somme|totaux|suma|totale|totaal"
    r"|averages?|avg|means?|mittel\w*|durchschnitt|moyenne|media|gemiddelde?|max(imum|imal\w*)?|min(imum|imal\w*)?"
    r"|site|array|all units|alle|generated|created|exported|erstellt|exportiert|erzeugt am)(?![^\W\d_])"
    r"|\s*(#|//|--\s|;)",
    re.I,
)
_NUMBER = re.compile(r"[+-]?\d{1,10}([.,' ]\d+)*(e[+-]?\d+)?( ?k?wh?)?", re.I)


MADE = re.compile(
    r"creat|generat|export|print|written|erstellt|gedruckt|erzeugt|imprim|édité|generad|cread|stampat|gemaakt|afgedrukt|utworz",
    re.I,
)
"""Of a date above a table: when the file was made, and not when its readings were."""


def is_remark(cells: Sequence[str]) -> bool:
    """Return whether a line without a time is no reading: a sum, a comment, a heading, a text without numbers."""
    said = [cell for cell in cells if cell.strip()]
    return not said or bool(_REMARK.match(said[0])) or not any(_NUMBER.fullmatch(c.strip()) for c in said)


def is_plain_number(cell: str) -> bool:
    """Return whether a cell is a number as readings are."""
    return bool(_NUMBER.fullmatch(cell.strip()[:60]))


def is_total(name: str) -> bool:
    """Return whether a name is that of a sum or a mean, and of no unit."""
    found = _REMARK.match(name)
    return bool(found) and not re.search(r"\d", name[found.end() :]) if found else False


def is_measure(word: str) -> bool:
    """Return whether a word of a heading says what is measured, and nothing of where."""
    bare = word.strip("[](),;:.-_ ")
    return bool(_MEASURE.fullmatch(bare)) or any(
        pattern.search(bare) for pattern in (COUNTER, POWER, ENERGY, OTHER) if len(bare) > 2
    )


def unit_of(text: str) -> str | None:
    """Return `w`, `kw`, `wh` or `kwh` if the text names exactly one of them, with a factor or without."""
    plain = _IN_WORDS.sub(
        lambda m: f" {'k' if m[1] else ''}W{'h' if m[2] else ''} ",
        _SYMBOL_OVER.sub(" ", without_factor(text)),
    )
    plain = _OF_INTERVAL.sub(" ", _HOURS_APART.sub(lambda m: f"{m[1] or ''}Wh", plain))
    found = {(k + w).lower() for k, w in _UNIT.findall(plain)}
    return found.pop() if len(found) == 1 else None


def shown(unit: str) -> str:
    """Return a unit of measure as it is written."""
    return unit.replace("w", "W")


def other_measure(text: str) -> str | None:
    """Return a unit of measure of power, energy or current that a heading has in brackets, and that is not read."""
    found = _OTHER_MEASURE.search(text)
    return (found[1] or found[2]) if found else None


def is_missing(cell: str) -> bool:
    """Return whether the cell says that there is no value."""
    return cell.strip().lower() in MISSING


def is_dash(cell: str) -> bool:
    """Return whether the cell is a dash, which stands for nothing made as well as for no value."""
    return cell.strip() in DASHES
