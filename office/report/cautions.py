"""What may hurt, and what binds: in every report, whatever was found."""

from typing import Final

CAUTIONS: Final[tuple[tuple[str, str], ...]] = (
    (
        "Electricity and water",
        "Electrofishing can kill people. It is for trained crews with the protective gear, spotters and stop switches that "
        "their agency's rules ask for. Stay out of the water, and keep children and animals out, while a crew fishes. "
        "Figures in this report on settings or power are advice for such crews, never an instruction.",
    ),
    (
        "Generators and fuel",
        "A generator belongs on deck in the open, away from fuel, wet connections and closed cabins.",
    ),
    (
        "Drugged fish",
        "Fish that were anaesthetised or sedated may not be eaten before the withdrawal period of the agent has ended. "
        "Which agent may be used, and how long the period is, is for the law of the place and a veterinarian to say.",
    ),
    (
        "Eating the catch",
        "Nothing here says that fish of this water are safe to eat. Ask for the consumption advice of the local authority.",
    ),
    (
        "Needles",
        "Tagging needles are sharps. Fish that carry a tag hold a small glass or steel body: mind it when you fillet.",
    ),
    (
        "Law and licence",
        "Removing, stocking, tagging and moving fish needs permits in most places. Local regulation, the permit, the "
        "animal-care protocol and licensed practice come before anything that stands here.",
    ),
    (
        "What the numbers are",
        "They describe the fish that were caught, by this gear, on these days. The limits beside a number say how far "
        "chance alone may have moved it; they know nothing of what the gear cannot catch. The decision is yours and your "
        "biologist's.",
    ),
)
