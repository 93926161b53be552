"""The usual cautions of each stage, with their signal words.

ANSI Z535.4: WARNING and CAUTION are about injury, NOTICE is not.

They come before anything this program computes; local codes, the material's data sheet, and licensed
veterinary and farriery practice come before them.
"""

from __future__ import annotations

from hoofsense.records import Stage

# (signal word, sentence); common practice, no source, except the wording of the signal words.
_CAUTIONS: dict[Stage, tuple[tuple[str, str], ...]] = {
    Stage.PREPARE: (
        ("WARNING", "A fill can seal an infection in: discharge or lameness belong to a veterinarian."),
        ("CAUTION", "A horse can pull its foot away at any moment: have it held by someone who knows it."),
    ),
    Stage.DRY: (
        ("WARNING", "Hot air burns what you cannot see: the quick warms on after the gun is off."),
        ("WARNING", "Hot air lights hay, straw and dust: work on bare ground, an extinguisher at hand."),
    ),
    Stage.POUR: (
        ("WARNING", "Isocyanates and fumes: gloves, eye protection, fresh air, as the data sheet says."),
        ("NOTICE", "Keep the foot level while the fill runs; leave the frog open."),
    ),
    Stage.CURE: (
        ("CAUTION", "An uncured fill must not be loaded: hold or block the foot."),
        ("CAUTION", "Curing makes heat, more in a thick fill: feel for it, and stop if the horse minds."),
    ),
    Stage.TRIM: (
        ("WARNING", "Do not breathe the dust of a fill: mask and fresh air, as the data sheet says."),
        ("CAUTION", "The foot goes down only when you have pressed the fill yourself."),
    ),
    Stage.FINISH: (
        ("NOTICE", "Look at the foot again in the next days; heat or smell belong to a veterinarian."),
    ),
}  # fmt: skip


def cautions_for(stage: Stage) -> tuple[tuple[str, str], ...]:
    """(signal word, sentence) pairs to show while a foot is in this stage."""
    return _CAUTIONS[stage]
