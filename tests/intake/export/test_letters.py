"""Old encodings are told by what letters look like in words, also where a file has only a dozen of them."""

from __future__ import annotations

import time

import pytest

from service.intake.export.letters import encoding_of

WESTERN = ("cp1252", "iso8859-15", "mac-roman", "cp850")
CENTRAL = ("cp1250", "iso8859-2", "cp852")
CYRILLIC = ("cp1251", "koi8-r", "cp866", "mac-cyrillic", "iso8859-5")
HEADINGS = {
    "Zeitstempel;Zähler 4829 Wh;Größe;Übertrag": WESTERN,
    "Début;Énergie": WESTERN,
    "Début de l\u2019intervalle;Énergie (Wh);Température °C": ("cp1252", "mac-roman"),
    "Fecha y hora;N.º de serie;Energía (kWh);Tensión CA;Año": ("cp1252", "mac-roman", "cp850"),
    "Início do intervalo;Produção (kWh);Tensão CA;Potência média": WESTERN,
    "Tid;Växelriktare;Börjar;Månad;Effekt för": WESTERN,
    "Początek przedziału;Nr seryjny;Moc średnia (W);Źródło": CENTRAL,
    "Время;Энергия": CYRILLIC,
    "Объект: Садовая 14;Показания счётчика;Начало интервала": CYRILLIC,
    "Ημερομηνία;Ενέργεια;Σειριακός αριθμός;Ισχύς": ("cp1253",),
    "時刻は区間の開始;日付;発電量;シリアル番号": ("cp932", "euc_jp"),
    "时间;序列号;发电量;站点 桂花路6号;功率": ("gb18030",),
    "時間;序號;發電量;屋頂": ("big5",),
    "시간;인버터 번호;발전량": ("cp949",),
    "날짜;출력": ("cp949",),
    "日期;功率": ("gb18030", "big5"),
    "平均功率 (W);开始时间": ("gb18030",),
}


@pytest.mark.parametrize(
    ("headings", "encoding"), [(text, encoding) for text, each in HEADINGS.items() for encoding in each]
)
@pytest.mark.parametrize("row", ["2026-06-14 10:00;1,5;2,5", "2026-06-14;08:00-08:15;1,5 °C"])
def test_few_letters_tell_the_encoding(headings: str, encoding: str, row: str) -> None:
    raw = "\r\n".join([headings, *[row] * 50]).encode(encoding, "replace")
    assert raw.decode(encoding_of(raw)) == raw.decode(encoding)


DATES = {
    "2. května 2026 00:00": ("cp1250", "iso8859-2", "cp852"),
    "6. září 2026": ("cp1250", "iso8859-2"),
    "6 Ağustos 2026 00:00": ("cp1254",),
    "2026年9月8日 00:00": ("cp932", "gb18030", "big5", "euc_jp"),
    "2026년 9월 8일": ("cp949",),
    "14 травня 2026 00:00": ("cp1251", "koi8-u"),
    "1 août 2026": WESTERN,
}


@pytest.mark.parametrize(
    ("date", "encoding"), [(date, encoding) for date, each in DATES.items() for encoding in each]
)
@pytest.mark.parametrize("heading", ["Start;Wh", "Nadpis: střídač;Wh", "Début;Énergie"])
def test_date_tells_the_encoding_in_which_it_is_one(date: str, encoding: str, heading: str) -> None:
    rows = "\r\n".join(f"{date};0,{i}" for i in range(50)).encode(encoding)
    found = encoding_of(heading.encode(encoding, "replace") + b"\r\n" + rows)
    assert rows.decode(found) == rows.decode(encoding)


@pytest.mark.parametrize("text", ["Zeit;Größe", "Время;Энергия", "时间;发电量"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_unicode_stays_unicode(text: str, encoding: str) -> None:
    raw = f"{text}\r\n".encode(encoding) * 50
    assert raw.decode(encoding_of(raw)).startswith(text)


@pytest.mark.parametrize("sign", ["[", "\u00e9", "\u0436", " ", ";"])
def test_long_run_of_one_sign_takes_no_time(sign: str) -> None:
    began = time.process_time()
    encoding_of((sign * 100_000).encode("cp1251" if sign == "\u0436" else "cp1252") + b"\xe9")
    assert time.process_time() - began < 5  # linear: milliseconds; by the square of the length: minutes
