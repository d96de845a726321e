"""Which way a part can leave: whole infinite moves decided from depth maps."""

from steps.motion.blocking import Motion, distinct_directions, lets_go, typical_length
from steps.motion.depth import DepthMap, depth_map, layers_of, reach_past
from steps.motion.turning import Turning

__all__ = [
    "DepthMap",
    "Motion",
    "Turning",
    "depth_map",
    "distinct_directions",
    "layers_of",
    "lets_go",
    "reach_past",
    "typical_length",
]
