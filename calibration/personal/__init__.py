"""What is kept about a customer as a person: given out whole, and erased.

Erasing replaces name, address and number wherever they stand: in the register, machine names,
visits, e-mails, uploaded files, reasons, the audit trail, the desk's own log, and in the free
words of sealed records. What was measured stays and still verifies: a record's digest covers its
words by a salted digest of their own (`calibration.digests.words_digest`), which stays when words
and salt go. Records sealed before there was such a digest (version 1) keep their words, and are
named. A name is looked for where the customer is: their machines, the sensors that ever sat on
them, their dealer's papers; somebody of the same name elsewhere is somebody else.
"""

from calibration.personal.erasing import Erased, erase
from calibration.personal.giving import personal_data
from calibration.personal.words import ERASED, Words

__all__ = ["ERASED", "Erased", "Words", "erase", "personal_data"]
