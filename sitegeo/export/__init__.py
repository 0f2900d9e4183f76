"""Files for other programs: GeoJSON, GPX, GeoPackage."""
