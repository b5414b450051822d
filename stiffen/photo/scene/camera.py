"""A camera: world points to pixels and pixels back to a plane of the world.

World coordinates: mm, x and y on the table, z up toward the camera.  Pixels: x to the right, y down, the centre of the
first pixel at (0, 0).  Pinhole with radial distortion: with x, y the normalised image coordinates and r2 = x2 + y2,
x_d = x (1 + k1 r2 + k2 r2 r2), as in Brown, Close-range camera calibration, Photogrammetric Engineering 37 (1971).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

UNDISTORT_STEPS = 12  # fixed-point steps; each gains a digit for the distortion of a phone


@dataclass(frozen=True)
class Camera:
    """focal: px.  centre: (2,) px, principal point.  radial: k1, k2.  turn: (3,) rotation vector world to camera.
    shift: (3,) mm, the world's origin in camera coordinates (x right, y down, z away from the camera).
    """

    focal: float
    centre: np.ndarray
    radial: np.ndarray
    turn: np.ndarray
    shift: np.ndarray

    @property
    def rotation(self) -> np.ndarray:
        """(3, 3) world to camera."""
        return Rotation.from_rotvec(self.turn).as_matrix()

    @property
    def place(self) -> np.ndarray:
        """(3,) mm, where the camera stands in the world."""
        return -self.rotation.T @ self.shift

    @property
    def tilt(self) -> float:
        """Angle between the line of sight and the square to the table, degrees."""
        return float(np.degrees(np.arccos(np.clip(-self.rotation[2, 2], -1.0, 1.0))))

    def project(self, points: np.ndarray) -> np.ndarray:
        """(n, 2) pixels of (n, 3) world points."""
        seen = np.asarray(points, float) @ self.rotation.T + self.shift
        flat = seen[:, :2] / seen[:, 2:]
        r2 = (flat**2).sum(axis=1, keepdims=True)
        return flat * (1 + self.radial[0] * r2 + self.radial[1] * r2 * r2) * self.focal + self.centre

    def on_plane(self, pixels: np.ndarray, height: float | np.ndarray = 0.0) -> np.ndarray:
        """(n, 2) world x, y of (n, 2) pixels that show points at this height over the table, mm."""
        bent = (np.asarray(pixels, float) - self.centre) / self.focal
        flat = bent.copy()
        for _ in range(UNDISTORT_STEPS):
            r2 = (flat**2).sum(axis=1, keepdims=True)
            flat = bent / (1 + self.radial[0] * r2 + self.radial[1] * r2 * r2)
        rays = np.column_stack([flat, np.ones(len(flat))]) @ self.rotation
        place = self.place
        return place[:2] + rays[:, :2] * ((height - place[2]) / rays[:, 2])[:, None]

    def scale_at(self, points: np.ndarray) -> np.ndarray:
        """(n,) pixels per mm at (n, 2) places of the table: the root of the ratio of areas."""
        low = np.column_stack([points, np.zeros(len(points))])
        x, y = (self.project(low + step) - self.project(low - step) for step in ([0.5, 0, 0], [0, 0.5, 0]))
        return np.sqrt(np.abs(x[:, 0] * y[:, 1] - x[:, 1] * y[:, 0]))
