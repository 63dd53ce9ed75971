"""From clean tables to walks and exposed sections; knows no files and no physics.

``build_network`` joins what is drawn or named, puts every device on its side and finds the supply of every place;
``Network`` answers walks (``Network.walks``) and exposed sections (``Network.sections``).

The rules; ``# RULE n`` stands in the code where one is applied.

1. *Nodes.* Node ids decide where a cable has both. Else ends within ``snap_m`` are one node, transitively; a joint
   wider than that is a finding. A site, device or source takes the nearest end within ``pickup_m``, else the nearest
   place on a cable, which is cut there; what stays out of reach is a finding. An end within ``snap_m`` of the middle of
   another cable is a tee; cables that cross are not joined. The order of rows decides nothing.
2. *Lengths* are metres on the ground: the recorded one, else the drawn one; pieces of a cable share it as drawn.
3. *A device* stands between a node and the cable it controls: the one it guards; at a riser the shielded one; one on
   each shielded cable where there are as many single-pole devices; between two cables; on the upstream side of more
   than two (a finding each); at a source's own node between source and node; at a dead end between node and cable.
4. *Normal state.* Open devices, or open poles of one, cut. Upstream is towards the source that feeds a place.
5. *Walk.* From every site up to the first closed single-pole device that takes something off supply by itself;
   three-pole ones on the way are noted. On a closed ring the shorter way is walked, and devices on the ring stop
   nothing. In a part without a source: the nearest single-pole device on whose controlled side the site lies. Else
   ``no_single_pole`` at the source, ``unreached`` without any supply.
6. *Exposed section*: all that loses its only supply on a pole when that pole alone is open.
7. *Step-down transformers* end a walk: the cables of their secondary hang on a node of their own, which is a source
   where the settings or a source point say so.
8. *Nothing is lost.* Cables, sites, devices and sources are used, or named in a finding.
9. *The graph* can be taken out for networkx, keyed by asset ids (``survey.network.export``).
10. *Either end*: with a normally open device closed, or a closed ring, one device of the loop is open; what hangs
   between it and another is what that one exposes, a difference of running sums
   along the loop (``survey.network.ties``).
"""

from survey.network.build import build_network
from survey.network.model import Network

__all__ = ["Network", "build_network"]
