"""The names of columns in English, German, French, Spanish and Italian, without case, marks and accents."""

from __future__ import annotations

import re
import unicodedata


def _names(text: str) -> frozenset[str]:
    return frozenset(text.split())


NAMES: dict[str, tuple[frozenset[str], ...]] = {
    "open": (
        _names(
            "open o openprice priceopen openingprice "
            "eroffnung eroeffnung eroffnungskurs eroeffnungskurs eroffn eroeffn erster ersterkurs "
            "ouverture ouv coursdouverture premier "
            "apertura preciodeapertura precioapertura prezzodiapertura prezzoapertura"
        ),
    ),
    "high": (
        _names(
            "high h highprice pricehigh dayhigh "
            "hoch hochst hoechst hochstkurs hoechstkurs tageshoch "
            "haut plushaut coursplushaut "
            "maximo max alto masalto preciomaximo massimo prezzomassimo"
        ),
    ),
    "low": (
        _names(
            "low l lowprice pricelow daylow "
            "tief tiefst tiefstkurs tagestief "
            "bas plusbas coursplusbas "
            "minimo min bajo masbajo preciominimo prezzominimo"
        ),
    ),
    "close": (
        _names(
            "close c closeprice priceclose closingprice closelast "
            "schluss schlusskurs schlussk schlusspreis "
            "cloture clot coursdecloture fermeture "
            "cierre preciodecierre preciocierre chiusura prezzodichiusura prezzochiusura"
        ),
        # Each of these may be the close if no column has one of the names above.
        _names(
            "last lastprice settle settlement settlementprice price "
            "zuletzt letzter letzterkurs kurs "
            "dernier derniercours cours prix "
            "ultimo ultimoprecio precio ultimoprezzo prezzo"
        ),
    ),
    "volume": (
        _names("stuck stucke stuecke shares sharestraded quantity qty totaltradedquantity basevolume volumebase"),
        _names("volume vol v volumetraded tradedvolume totalvolume volumen volumi"),
        # Counts of price changes replace a missing volume.
        _names("tickvolume tickvol ticks"),
    ),
}
"""The names of each column of numbers, in order of preference.

An adjusted close is not among them, since the other prices are not adjusted with it, nor is a turnover in money.
"""

OPEN_TIMES = _names("opentime timeopen opentimestamp opendatetime starttime timestart")
CLOSE_TIMES = _names("closetime timeclose closetimestamp closedatetime endtime timeend")
DATES = _names("date day tradedate tradingdate datum tag handelstag jour fecha dia data giorno")
TIMES = _names("time timeofday zeit uhrzeit heure hora ora orario")
MOMENTS = _names(
    "datetime dateandtime bartime "
    "datumzeit datumuhrzeit datumundzeit datumunduhrzeit zeitstempel zeitpunkt "
    "dateheure dateetheure horodatage fechahora fechayhora dataora dataeora"
) | {
    name + unit
    for name in ("timestamp", "ts", "epoch", "unix", "unixtime", "unixtimestamp")
    for unit in ("", "s", "ms", "us", "ns")
}
PANDAS_INDEX = "indexlevel0"
"""The name of the unnamed index of a table that pandas wrote as Parquet: its times, or mere numbers of rows."""
NAMELESS = frozenset({"", "unnamed0", "index"})
"""Names of the first column of a table that was written with its index."""
SYMBOLS = (
    *("symbol", "ticker", "instrument", "sym", "instrumentid", "security", "contract", "pair", "name"),
    *("isin", "wkn"),
)
"""In order of preference."""

ENGLISH = _names(
    "open o openprice priceopen openingprice high h highprice pricehigh dayhigh low l lowprice pricelow daylow "
    "close c closeprice priceclose closingprice closelast last lastprice settle settlement settlementprice price "
    "shares sharestraded quantity qty totaltradedquantity basevolume volumebase "
    "volume vol v volumetraded tradedvolume totalvolume tickvolume tickvol ticks"
)
"""The names of number columns that are English only."""

MONEY = _names("quote usd usdt usdc busd eur gbp jpy chf krw inr try")
_UTC = re.compile(r"\b(?:utc|gmt)\b(?! ?[+-] ?\d)|utc$")
_ZONES = re.compile(
    r"(?:utc|gmt) ?[+-] ?\d{1,2}(?::?\d{2})?"
    r"|\b(?:local|lokal\w*|est|edt|et|cst|cdt|ct|pst|pdt|pt|cet|cest|mez|mesz|bst|ist|jst|hkt|sgt|aest|msk)\b"
)


def plain(name: str) -> str:
    """Give a name without case, blanks, marks and accents."""
    apart = unicodedata.normalize("NFKD", name.casefold())
    return re.sub(r"[\W_]+", "", "".join(letter for letter in apart if not unicodedata.combining(letter)))


def without_zone(name: str) -> tuple[str, str]:
    """Split the name of a column of times into (plain name, zone).

    The zone is ``UTC``, empty, or a word for another one, such as «local» or «est».
    """
    words = re.sub(r"[_(){}\[\],;/]+", " ", name.casefold())
    for pattern in (_ZONES, _UTC):
        found = pattern.search(words)
        if found is not None:
            return plain(words[: found.start()] + words[found.end() :]), "UTC" if pattern is _UTC else found[0]
    return plain(name), ""


def is_other_volume(name: str) -> bool:
    """Say whether a plain name is a more specific volume, such as «Volume BTC», and not an amount of money."""
    rest = re.sub(r"^volumen?|volumen?$", "", name)
    return rest != name and not any(rest.startswith(money) or rest.endswith(money) for money in MONEY)
