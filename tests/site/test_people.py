"""How people are told: what the site file may say, and what is refused with a reason."""

import pytest

from controller.errors import SiteFileError
from controller.site.explain import explain
from controller.site.load import example_site, parse_site

TEXT = example_site("curlew-yard").read_text()
MAIL = """
[[alarm.mail]]
name = "nora"
host = "mail.curlew-yard.example"
sender = "frost@curlew-yard.example"
to = ["nora@curlew-yard.example"]
"""


def alarm(text):
    return parse_site(TEXT + text).alarm


def test_left_out_nobody_is_told_and_check_says_so():
    site = parse_site(TEXT)
    assert site.alarm.ways == ()
    assert "nobody is told: add [[alarm.mail]]" in explain(site)
    assert "no dead-man" in explain(site)


def test_check_says_who_is_told_of_what_and_when():
    more = (
        """
[alarm]
quiet_from = "22:30"
quiet_until = "06:30"
"""
        + MAIL
        + """
[[alarm.messenger]]
name = "tom"
address_file = "/etc/rimeward/tom"
from_severity = 4
after_min = 30.0
[alarm.dead_man]
address_file = "/etc/rimeward/dead-man"
"""
    )
    text = explain(parse_site(TEXT + more))
    assert "nora: mail, from severity 2 of 4 on\n" in text
    assert "tom: messenger, from severity 4 of 4 on, once it has stood unacknowledged for 30 min" in text
    assert "from 22:30 to 06:30 only severity 4 wakes anybody" in text
    assert "sign of life: daily at 08:00" in text
    assert "fetched every 5 min while control works" in text


@pytest.mark.parametrize(
    ("text", "match"),
    [
        (MAIL + 'security = "none"\n', "readable by everybody on the way"),
        (MAIL + 'user = "nora"\n', "give user and password_file together"),
        (MAIL + MAIL, "two ways have the same name"),
        (MAIL.replace("nora@curlew-yard.example", "nora\\r\\nBcc: x@y.example"), "to"),
        (MAIL.replace('"nora"', '"the bus"'), "name"),
        ('[alarm]\nquiet_from = "22:30"\n', "quiet_from and quiet_until together"),
        ('[alarm]\ndaily_at = "29:00"\n', "a time of day such as"),
        ('[alarm]\npage = "frost.lan"\n', "page"),
    ],
)
def test_what_cannot_work_or_would_betray_a_secret_is_refused(text, match):
    with pytest.raises(SiteFileError, match=match):
        alarm(text)
