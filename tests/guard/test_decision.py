"""Every reason has its sentence, and no sentence has a hole."""

import string

import pytest

from controller.guard.decision import _SENTENCES, Decision, Reason
from tests.conftest import DUSK


@pytest.mark.parametrize("reason", list(Reason))
def test_every_reason_has_a_sentence_from_fields_that_exist(reason):
    fields = {name for _, name, _, _ in string.Formatter().parse(_SENTENCES[reason]) if name}
    assert fields <= set(Decision.__dataclass_fields__)
    decision = Decision(kind="tree", name="lemon", at=DUSK, active=True, reason=reason, rest="it is heated")
    assert len(decision.because) > 20
