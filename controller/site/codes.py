"""Which family of wiring codes to ask an electrician about, by country; names from memory.

No advice on what such a code says: that is the electrician's.  All but the American and Canadian ones follow
IEC 60364, whose part 7-705 is about agricultural and horticultural premises.
"""

_IEC = "its rules for agricultural and horticultural premises (IEC 60364-7-705)"

CODES: dict[str, str] = {
    "australia": f"AS/NZS 3000 and {_IEC}",
    "austria": f"OVE E 8101 and {_IEC}",
    "belgium": f"AREI/RGIE and {_IEC}",
    "canada": "the Canadian Electrical Code, part I (CSA C22.1), and the province's amendments",
    "chile": f"the RIC rules and {_IEC}",
    "france": f"NF C 15-100 and {_IEC}",
    "germany": "DIN VDE 0100-705 (agricultural and horticultural premises)",
    "ireland": f"I.S. 10101 and {_IEC}",
    "italy": f"CEI 64-8 and {_IEC}",
    "japan": "the technical standards for electrical equipment and the interior wiring code (JEAC 8001)",
    "netherlands": f"NEN 1010 and {_IEC}",
    "new zealand": f"AS/NZS 3000 and {_IEC}",
    "portugal": f"RTIEBT and {_IEC}",
    "south africa": f"SANS 10142-1 and {_IEC}",
    "spain": f"REBT and {_IEC}",
    "switzerland": f"NIN (SN 411000) and {_IEC}",
    "united kingdom": "BS 7671, section 705 (agricultural and horticultural premises)",
    "united states": "the NEC (articles 210, 547 and 590) and the authority having jurisdiction",
}


def code_for(country: str) -> str:
    """Return the code family of a country by its English name, or what to ask where it is not known here."""
    known = CODES.get(country.strip().lower())
    if known is not None:
        return f"{known}, as it stands in {country.strip()} today"
    where = f"in {country.strip()}" if country.strip() else "at your place (country in [place])"
    return f"the one that applies {where}; most follow IEC 60364, part 7-705 for such houses"
