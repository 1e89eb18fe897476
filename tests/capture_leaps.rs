//! Leaping brings the frame that reading on brings, in every capture that the project reads by itself.

mod capture_common;

use std::path::{Path, PathBuf};

use capture_common::read;
use evenbeat::capture::{open, CaptureArg, Leap};
use evenbeat::settings::ReadingSettings;

fn sample(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("samples").join(name)
}

#[test]
fn leaps_land_where_reading_on_would() {
    let times =
        ReadingSettings { timestamps: Some(sample("glass-buoy-times.txt")), ..ReadingSettings::default() };
    for (name, settings) in [
        ("lantern-box.y4m", ReadingSettings::default()),
        ("tin-whistle.y4m", ReadingSettings::default()),
        ("cork-float", ReadingSettings::default()),
        ("glass-buoy.y4m", times),
    ] {
        let whole = read(&sample(name), &settings);
        let frames = whole.samples.len();
        assert!(frames > 30, "{name}");
        // From the start and from within, by none, one and many, up to the last frame.
        for (from, over) in [(0, 0), (0, 1), (0, 17), (5, 3), (5, frames - 6)] {
            let mut source = open(&CaptureArg::Path(sample(name)), &settings).unwrap();
            let mut samples = Vec::new();
            for _ in 0..from {
                source.read_frame(&mut samples).unwrap().expect("a frame");
            }
            let target = from + over;
            let leap = Leap { frames: over as u64, ticks: whole.ticks[target] };
            assert!(source.leap(leap).unwrap(), "{name} from {from} over {over}");
            for frame in target..(target + 2).min(frames) {
                let timing = source.read_frame(&mut samples).unwrap().expect("a frame");
                assert_eq!(timing.ticks, whole.ticks[frame], "{name} from {from} over {over}: frame {frame}");
                assert!(
                    blake3::hash(&samples) == whole.samples[frame],
                    "{name} from {from} over {over}: not frame {frame}"
                );
            }
        }
        // Behind the end there is nothing, and no panic.
        let mut source = open(&CaptureArg::Path(sample(name)), &settings).unwrap();
        let far = source.leap(Leap { frames: u64::MAX / 2, ticks: None });
        let next = far.and_then(|_| source.read_frame(&mut Vec::new()));
        assert!(!matches!(next, Ok(Some(_))), "{name}");
    }
}
