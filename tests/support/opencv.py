"""OpenCV for the tests of `stiffen photo`; where it is missing, they are skipped with a word."""

import pytest

cv2 = pytest.importorskip("cv2", reason="OpenCV is not installed: pip install '.[photo]'")
