// Distances, bearings and grid references on the WGS 84 ellipsoid.
(() => {
  const A = 6378137;
  const F = 1 / 298.257223563;
  const B = A * (1 - F);
  const rad = (degrees) => (degrees * Math.PI) / 180;
  const deg = (radians) => (radians * 180) / Math.PI;

  // Vincenty's inverse formula (1975): metres, and the bearing at the start in degrees.
  // Places [latitude, longitude]; not for points nearly opposite on the globe.
  sitegeo.inverse = ([lat1, lon1], [lat2, lon2]) => {
    const u1 = Math.atan((1 - F) * Math.tan(rad(lat1)));
    const u2 = Math.atan((1 - F) * Math.tan(rad(lat2)));
    const [s1, c1, s2, c2] = [Math.sin(u1), Math.cos(u1), Math.sin(u2), Math.cos(u2)];
    const apart = rad(lon2 - lon1);
    let lambda = apart;
    for (let i = 0; i < 100; i += 1) {
      const [sl, cl] = [Math.sin(lambda), Math.cos(lambda)];
      const y = Math.hypot(c2 * sl, c1 * s2 - s1 * c2 * cl);
      if (y === 0) return { metres: 0, bearing: 0 };
      const x = s1 * s2 + c1 * c2 * cl;
      const sigma = Math.atan2(y, x);
      const sinAlpha = (c1 * c2 * sl) / y;
      const cos2 = 1 - sinAlpha ** 2;
      const mid = cos2 === 0 ? 0 : x - (2 * s1 * s2) / cos2;
      const c = (F / 16) * cos2 * (4 + F * (4 - 3 * cos2));
      const before = lambda;
      lambda =
        apart +
        (1 - c) * F * sinAlpha * (sigma + c * y * (mid + c * x * (-1 + 2 * mid ** 2)));
      if (Math.abs(lambda - before) > 1e-12) continue;
      const k = (cos2 * (A ** 2 - B ** 2)) / B ** 2;
      const p = 1 + (k / 16384) * (4096 + k * (-768 + k * (320 - 175 * k)));
      const q = (k / 1024) * (256 + k * (-128 + k * (74 - 47 * k)));
      const turn =
        q *
        y *
        (mid +
          (q / 4) *
            (x * (-1 + 2 * mid ** 2) -
              (q / 6) * mid * (-3 + 4 * y ** 2) * (-3 + 4 * mid ** 2)));
      const bearing = deg(Math.atan2(c2 * sl, c1 * s2 - s1 * c2 * cl));
      return { metres: B * p * (sigma - turn), bearing: (bearing + 360) % 360 };
    }
    return null;
  };

  const zoneOf = (lat, lon) => {
    const plain = Math.min(60, Math.floor((lon + 180) / 6) + 1);
    if (lat >= 56 && lat < 64 && lon >= 3 && lon < 12) return 32;
    if (lat >= 72 && lon >= 0 && lon < 42) return [31, 33, 35, 37][lon < 9 ? 0 : lon < 21 ? 1 : lon < 33 ? 2 : 3];
    return plain;
  };

  // Krüger's series to the fourth power of n, as Karney (2011) gives it.
  sitegeo.utm = (lat, lon, zone = zoneOf(lat, lon)) => {
    const n = F / (2 - F);
    const alpha = [
      n / 2 - (2 * n ** 2) / 3 + (5 * n ** 3) / 16 + (41 * n ** 4) / 180,
      (13 * n ** 2) / 48 - (3 * n ** 3) / 5 + (557 * n ** 4) / 1440,
      (61 * n ** 3) / 240 - (103 * n ** 4) / 140,
      (49561 * n ** 4) / 161280,
    ];
    const e = Math.sqrt(F * (2 - F));
    const tau = Math.tan(rad(lat));
    const sigma = Math.sinh(e * Math.atanh((e * tau) / Math.hypot(1, tau)));
    const conformal = tau * Math.hypot(1, sigma) - sigma * Math.hypot(1, tau);
    const apart = rad(lon - (6 * zone - 183));
    const xi = Math.atan2(conformal, Math.cos(apart));
    const eta = Math.asinh(Math.sin(apart) / Math.hypot(conformal, Math.cos(apart)));
    let [x, y] = [eta, xi];
    alpha.forEach((a, i) => {
      const m = 2 * (i + 1);
      x += a * Math.cos(m * xi) * Math.sinh(m * eta);
      y += a * Math.sin(m * xi) * Math.cosh(m * eta);
    });
    const radius = (A / (1 + n)) * (1 + n ** 2 / 4 + n ** 4 / 64) * 0.9996;
    return { zone, east: 500000 + radius * x, north: radius * y + (lat < 0 ? 1e7 : 0) };
  };

  // United States National Grid (FGDC-STD-011-2001) to the metre, cut off and not rounded.
  sitegeo.usng = (lat, lon) => {
    if (lat < -80 || lat > 84) return "";
    const { zone, east, north } = sitegeo.utm(lat, lon);
    const band = "CDEFGHJKLMNPQRSTUVWX"[Math.min(19, Math.floor((lat + 80) / 8))];
    const column = "ABCDEFGHJKLMNPQRSTUVWXYZ"[((zone - 1) % 3) * 8 + Math.floor(east / 1e5) - 1];
    const shift = zone % 2 ? 0 : 5;
    const row = "ABCDEFGHJKLMNPQRSTUV"[(Math.floor(north / 1e5) + shift) % 20];
    const digits = (value) => String(Math.floor(value % 1e5)).padStart(5, "0");
    return `${zone}${band} ${column}${row} ${digits(east)} ${digits(north)}`;
  };

  // A place so many metres off on a bearing; for a few hundred metres.
  sitegeo.offset = ([lat, lon], bearing, metres, scale) => [
    lat + (Math.cos(rad(bearing)) * metres) / scale.lat_m,
    lon + (Math.sin(rad(bearing)) * metres) / scale.lon_m,
  ];
})();
