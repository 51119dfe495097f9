"""Names that people give: of doors, nodes and in notes. What a screen could be fooled by is refused."""

import unicodedata

from sensors.message.names import is_slug

LONGEST_NAME, LONGEST_NOTE = 24, 2000
SIGNS = "-'’.,()&/ "  # the typographer's apostrophe is meant
MARKS_ON_A_LETTER = 2
SLUG_NEEDED = "1 to 24 of a-z, 0-9 and -, neither first nor last a -,"

__all__ = ["SLUG_NEEDED", "is_slug", "name_fault", "note_fault", "split_ref"]


def name_fault(text: str) -> str | None:
    """What is wrong with a shown name, as the thing that is needed; None where nothing is.

    Letters, digits, blanks and - ' ’ . , ( ) & / pass, 24 in all, with at most two marks on a letter.
    """  # the apostrophe that passes
    plain = unicodedata.normalize("NFC", text)
    if not 1 <= len(plain) <= LONGEST_NAME or not any(one.isalnum() for one in plain):
        return f"1 to {LONGEST_NAME} letters or digits"
    marks = 0
    for one in plain:
        kind = unicodedata.category(one)
        marks = marks + 1 if kind[0] == "M" else 0
        if marks > MARKS_ON_A_LETTER:
            return f"at most {MARKS_ON_A_LETTER} marks on a letter"
        if kind[0] not in "LM" and kind != "Nd" and one not in SIGNS:
            return f"letters, digits, blanks and - ' . , ( ) & / without U+{ord(one):04X}"
    return None


def note_fault(text: str) -> str | None:
    """What is wrong with a note; None where nothing is. Line breaks pass, other controls do not."""
    if not text.strip() or len(text) > LONGEST_NOTE:
        return f"1 to {LONGEST_NOTE} letters"
    for one in text:
        if unicodedata.category(one) in ("Cc", "Cf", "Co", "Cs", "Cn") and one not in "\n\r":
            return f"text without U+{ord(one):04X}"
    return None


def split_ref(ref: str) -> tuple[str | None, str]:
    """Site (None: not said) and name of `saltmarsh-yard/north` or `north`."""
    site, slash, name = ref.rpartition("/")
    return (site if slash else None), name
