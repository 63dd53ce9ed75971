"""Draws every layer of a GeoPackage with its own look; run by the system's Python, which has python3-qgis.

``python3 render_gpkg.py FILE.gpkg PICTURE.png [WEST SOUTH EAST NORTH]``; prints what the layers are as JSON.
"""

from __future__ import annotations

import json
import os
import sqlite3
import sys

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

from qgis.core import (
    QgsApplication,
    QgsMapRendererParallelJob,
    QgsMapSettings,
    QgsRectangle,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QSize
from qgis.PyQt.QtGui import QColor


def told(layer: QgsVectorLayer, *, styled: bool) -> dict[str, object]:
    """What a program makes of a layer."""
    labels = layer.labeling().settings().minimumScale if layer.labeling() else None
    headings = [layer.attributeDisplayName(number) for number in range(layer.fields().count())]
    return {
        "name": layer.name(), "valid": layer.isValid(), "styled": styled, "renderer": layer.renderer().type(),
        "labels_from": labels, "headings": headings,
    }  # fmt: skip


def main(path: str, picture: str, *corners: str) -> None:
    """Open, draw, tell."""
    application = QgsApplication([], False)
    application.initQgis()
    query = "SELECT table_name FROM gpkg_contents WHERE data_type = 'features' ORDER BY rowid"
    names = [row[0] for row in sqlite3.connect(path).execute(query)]
    layers = [QgsVectorLayer(f"{path}|layername={name}", name, "ogr") for name in names]
    said = [told(layer, styled=layer.loadDefaultStyle()[1]) for layer in layers]
    settings = QgsMapSettings()
    settings.setLayers(layers[::-1])
    settings.setOutputSize(QSize(1400, 900))
    settings.setBackgroundColor(QColor("#fbf9f3"))
    settings.setDestinationCrs(layers[0].crs())
    extent = QgsRectangle(*map(float, corners)) if corners else layers[names.index("sites")].extent()
    extent.grow(10 + 0.05 * extent.width())
    settings.setExtent(extent)
    job = QgsMapRendererParallelJob(settings)
    job.start()
    job.waitForFinished()
    job.renderedImage().save(picture)
    sys.stdout.write(json.dumps(said) + "\n")


if __name__ == "__main__":
    main(*sys.argv[1:])
