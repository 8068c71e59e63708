"""Where the configuration that ships with the program lies."""

from pathlib import Path


def shipped_config() -> Path:
    """The folder with `species/`, `protocol/`, `instruments/` and `station/`.

    In an installed wheel it is packed as `ingest/_config`; in a checkout it is the checkout's `config/`.
    """
    here = Path(__file__).resolve().parent
    packed = here / "_config"
    return packed if packed.is_dir() else here.parent / "config"
