"""geodesic.json: distances on WGS84, far and near. geographiclib 2.1 (Karney 2013)."""

import math

from geographiclib.geodesic import Geodesic

from vector_file import settle

EARTH = Geodesic.WGS84
SPHERE_M = 6_371_008.8
GRS80 = Geodesic(6_378_137.0, 1 / 298.257222101)


def haversine(lat1, lon1, lat2, lon2):
    north, east = math.radians(lat2 - lat1), math.radians(lon2 - lon1)
    cosines = math.cos(math.radians(lat1)) * math.cos(math.radians(lat2))
    half = math.sin(north / 2) ** 2 + cosines * math.sin(east / 2) ** 2
    return 2 * SPHERE_M * math.asin(math.sqrt(half))


def local(lat1, lon1, lat2, lon2):
    """The ellipsoid's two radii of curvature half-way, and Pythagoras."""
    middle = math.radians((lat1 + lat2) / 2)
    f = 1 / 298.257223563
    square = f * (2 - f)
    root = 1 - square * math.sin(middle) ** 2
    meridian, prime = EARTH.a * (1 - square) / root**1.5, EARTH.a / math.sqrt(root)
    return math.hypot(math.radians(lat2 - lat1) * meridian, math.radians(lon2 - lon1) * prime * math.cos(middle))


def far(name, lat1, lon1, lat2, lon2, earth=EARTH):
    found = earth.Inverse(lat1, lon1, lat2, lon2)
    return {"name": name, "lat1": lat1, "lon1": lon1, "lat2": lat2, "lon2": lon2, "s12_m": found["s12"],
            "azi1": found["azi1"], "azi2": found["azi2"],
            "haversine_R6371008_8_m": haversine(lat1, lon1, lat2, lon2)}


def near(name, lat, lon, azimuth, metres):
    end = EARTH.Direct(lat, lon, azimuth, metres)
    e7 = [round(value * 1e7) for value in (lat, lon, end["lat2"], end["lon2"])]
    places = [value / 1e7 for value in e7]
    return {"name": f"short_{name}_az{azimuth}_{metres}m", "lat1_degE7": e7[0], "lon1_degE7": e7[1],
            "azi": azimuth, "s_nominal": metres, "lat2": end["lat2"], "lon2": end["lon2"], "lat2_degE7": e7[2],
            "lon2_degE7": e7[3], "s12_from_degE7_m": EARTH.Inverse(*places)["s12"],
            "local_ellipsoid_equirect_m": local(*places), "haversine_m": haversine(*places)}


def degrees(whole, minutes, seconds):
    return math.copysign(abs(whole) + minutes / 60 + seconds / 3600, whole)


FAR = [
    far("JFK-LHR", 40.6, -73.8, 51.6, -0.5),
    far("Wellington-Salamanca", -41.32, 174.81, 40.96, -5.5),
    far("FlindersPeak-Buninyong_GRS80", degrees(-37, 57, 3.7203), degrees(144, 25, 29.5244),
        degrees(-37, 39, 10.1561), degrees(143, 55, 35.3839), GRS80),
    far("one_second_lat_equator", 0, 0, 1 / 3600, 0),
    far("one_degree_lon_equator", 0, 0, 0, 1),
    far("coincident", 47, 8, 47, 8),
]
NEAR = [near(name, lat, lon, azimuth, metres)
        for name, lat, lon in [("54.0000", 54.0, 8.0), ("0", 0.0, 0.0), ("-33.8688", -33.8688, 151.2093),
                               ("60.1699", 60.1699, 24.9384)]
        for azimuth in (0, 45, 90, 200) for metres in (50, 150, 250, 1000)]

settle("geodesic", {
    "max_local_equirect_error_m": max(
        abs(row["local_ellipsoid_equirect_m"] - row["s12_from_degE7_m"]) for row in NEAR),
    "max_haversine_relative_error": max(
        abs(row["haversine_m"] / row["s12_from_degE7_m"] - 1) for row in NEAR),
    "max_degE7_rounding_effect_m": max(abs(row["s12_from_degE7_m"] - row["s_nominal"]) for row in NEAR),
    "cases": FAR + NEAR,
})
