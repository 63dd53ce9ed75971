"""From clean tables to walks and exposed sections; knows no files and no physics.

``build_network`` joins what is drawn or named, puts every device on its side and finds the supply of every place;
``Network`` answers walks (``Network.walks``) and exposed sections (``Network.sections``).
"""

from survey.network.build import build_network
from survey.network.model import Network

__all__ = ["Network", "build_network"]
