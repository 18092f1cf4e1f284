"""A clip's page: its first frame to point at, what its frames show over time, and the clip."""

from __future__ import annotations

from pathlib import Path

from tests.bench.clips import write_clip
from tests.bench.test_clips_on_the_bench import bench_with
from tests.web.conftest import client_of

from glassay.simulate import cut_off


def test_a_clip_has_a_thumbnail_a_viewer_strips_and_the_clip_itself(tmp_path: Path) -> None:
    write_clip(tmp_path / "captures/a.mp4", frames=20, rate=20, shake_um=3)
    write_clip(tmp_path / "captures/b.avi", frames=20, rate=20, shake_um=3)
    bench_with(tmp_path, {"a.mp4": "bare", "b.avi": "bare"})
    with client_of(tmp_path) as client:
        page = client.get("/capture?id=captures/a.mp4").text
        assert "<video" in page
        assert "First frame" in page or "first frame" in page
        assert 'class="strip"' in page
        assert "none of which repeats the one before" in page
        for place in ("/thumb?id=captures/a.mp4", "/whole?id=captures/b.avi"):
            assert client.get(place).headers["content-type"] == "image/jpeg"
        assert 'src="/thumb?id=captures/a.mp4"' in client.get("/captures").text.replace("%2F", "/")
        other = client.get("/capture?id=captures/b.avi").text
        assert "<video" not in other  # browsers play no AVI
        assert "fetch the file" in other


def test_clips_that_cannot_be_read_have_a_page_that_says_why(tmp_path: Path) -> None:
    whole = write_clip(tmp_path / "a.mkv", frames=6, rate=20)
    (tmp_path / "captures").mkdir()
    cut_off(whole, 0.2, tmp_path / "captures/b.mkv")
    (tmp_path / "captures/c.mp4").touch()
    bench_with(tmp_path, {"b.mkv": "bare", "c.mp4": "bare"})
    with client_of(tmp_path) as client:
        for name, said in (("b.mkv", "not one frame"), ("c.mp4", "is empty")):
            answer = client.get(f"/capture?id=captures/{name}")
            assert answer.status_code == 200
            assert said in answer.text
        assert client.get("/captures").text.count('class="no-picture"') == 2
