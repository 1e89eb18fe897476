//! The captures in `samples/` show what `samples/truth.csv` says.

use std::collections::BTreeMap;
use std::fs;
use std::path::PathBuf;

fn samples() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("samples")
}

/// Pictures per frame of each capture.
fn truth() -> BTreeMap<String, Vec<u64>> {
    let text = fs::read_to_string(samples().join("truth.csv")).expect("the truth");
    let mut truth: BTreeMap<String, Vec<u64>> = BTreeMap::new();
    for line in text.lines().skip(1) {
        let fields: Vec<&str> = line.split(',').collect();
        let pictures = truth.entry(fields[0].to_owned()).or_default();
        assert_eq!(fields[1], pictures.len().to_string(), "{line}: frames count up from 0");
        pictures.push(fields[2].parse().expect("a picture number"));
    }
    truth
}

/// Frames of a YUV4MPEG2 file whose frame headers carry no tags.
fn y4m_frames(name: &str, frames: usize) -> Vec<Vec<u8>> {
    let bytes = fs::read(samples().join(name)).expect("a capture");
    let line = bytes.iter().position(|&byte| byte == b'\n').expect("a header line");
    let body = &bytes[line + 1..];
    assert_eq!(body.len() % frames, 0, "{name}: whole frames");
    body.chunks_exact(body.len() / frames).map(<[u8]>::to_vec).collect()
}

#[test]
fn frames_repeat_exactly_where_the_truth_says() {
    let truth = truth();
    assert_eq!(truth.len(), 6);
    for (name, pictures) in truth.iter().filter(|(name, _)| name.ends_with(".y4m")) {
        let frames = y4m_frames(name, pictures.len());
        for frame in 1..frames.len() {
            let (same, listed) = (frames[frame] == frames[frame - 1], pictures[frame] == pictures[frame - 1]);
            assert_eq!(same, listed, "{name} frame {frame}");
        }
    }
}

#[test]
fn images_are_numbered_by_picture() {
    for picture in &truth()["cork-float"] {
        assert!(samples().join(format!("cork-float/frame-{picture:04}.png")).is_file(), "{picture}");
    }
    assert_eq!(fs::read_dir(samples().join("cork-float")).expect("a folder").count(), 37);
}

#[test]
fn times_skip_where_pictures_do() {
    let text = fs::read_to_string(samples().join("glass-buoy-times.txt")).expect("times");
    let times: Vec<f64> = text.lines().map(|line| line.parse().expect("seconds")).collect();
    let pictures = &truth()["glass-buoy.y4m"];
    assert_eq!(times.len(), pictures.len());
    for (time, picture) in times.iter().zip(pictures) {
        assert!((time - *picture as f64 * 1001.0 / 60000.0).abs() < 2e-9, "{time} {picture}");
    }
}
