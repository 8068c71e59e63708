"""Why publishing did not go through, in one sentence. No password stands in any of them."""


class PublishRefusedError(Exception):
    """Nothing was published: the server's schema, the user's rights or the address do not allow it."""


class ServerLostError(Exception):
    """The server could not be reached, or went away in the middle: what was published stays; publish again."""
