"""The thinking half: history in; resistances, verdicts and pages out."""
