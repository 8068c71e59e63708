"""Why an export was not made, in one sentence."""


class ExportRefusedError(Exception):
    """Nothing was put in place. The sentence says what was wrong, which value, and what to do."""
