"""The simulated amplifier: components with values, two channels on one supply. Electrical, pure: no clock, no files.

One file per component; ``design`` is the tree of their values, ``amplifier`` the assembly, ``demo`` the invented
amplifier that everything is shown on.
"""

from .amplifier import Amplifier
from .demo import demo_amplifier, with_tolerances
from .design import AmplifierDesign
from .operating import SILENCE, Drive
from .test_points import Probe

__all__ = ["SILENCE", "Amplifier", "AmplifierDesign", "Drive", "Probe", "demo_amplifier", "with_tolerances"]
