//! Readers fed with bytes from nowhere, for the fuzzer.

use std::fs;
use std::io::Cursor;
use std::path::Path;
use std::time::Duration;

use super::decoder_log::DecoderLog;
use super::depth::DepthChecked;
use super::image_sequence::ImageSequence;
use super::log::LogReader;
use super::nut::NutReader;
use super::timestamps::read_times;
use super::y4m::Y4mSource;
use super::FrameSource;
use crate::settings::ReadingSettings;

/// Frames read of one input at most.
const FRAMES_MAX: usize = 100;

/// Reads a source to its end; whether that passes for whole.
fn drained(mut source: Box<dyn FrameSource>) -> bool {
    let mut samples = Vec::new();
    for _ in 0..FRAMES_MAX {
        match source.read_frame(&mut samples) {
            Ok(Some(_)) => {}
            Ok(None) => break,
            Err(_) => return false,
        }
    }
    !source.finish().notes.iter().any(|note| note.code.makes_incomplete())
}

pub(crate) fn y4m(bytes: &[u8]) -> bool {
    let input = Box::new(Cursor::new(bytes.to_vec()));
    let settings = ReadingSettings::default();
    Y4mSource::new(input, "fuzz".into(), "fuzz".into(), &settings)
        .is_ok_and(|source| drained(DepthChecked::of(Box::new(source), "fuzz")))
}

pub(crate) fn nut(bytes: &[u8]) -> bool {
    let Ok(mut reader) = NutReader::new(Cursor::new(bytes.to_vec())) else { return false };
    let mut samples = Vec::new();
    for _ in 0..FRAMES_MAX {
        match reader.next_frame() {
            Ok(Some(frame)) if reader.read_samples(&frame, &mut samples).is_ok() => {}
            Ok(None) => return true,
            Ok(Some(_)) | Err(_) => return false,
        }
    }
    true
}

pub(crate) fn log(bytes: &[u8]) -> bool {
    let Ok(mut reader) = LogReader::open(Cursor::new(bytes.to_vec()), "fuzz") else { return false };
    loop {
        match reader.next_fingerprint() {
            Ok(Some(_)) => {}
            Ok(None) => return reader.finish().is_complete(),
            Err(_) => return false,
        }
    }
}

pub(crate) fn times(bytes: &[u8]) -> bool {
    read_times(Cursor::new(bytes.to_vec()), "fuzz").is_ok()
}

pub(crate) fn decoder_messages(bytes: &[u8]) -> bool {
    let log = DecoderLog::drain(Cursor::new(bytes.to_vec()));
    let banner = log.banner(Duration::from_secs(5));
    let notes = log.summary(Duration::from_secs(5)).notes();
    !banner.demuxer.is_empty() && notes.is_empty()
}

/// `folder` is the fuzzer's own; one image is written into it.
pub(crate) fn image(bytes: &[u8], folder: &Path) -> bool {
    let written = fs::create_dir_all(folder).and_then(|()| fs::write(folder.join("frame_1.png"), bytes));
    let settings = ReadingSettings::default();
    written.is_ok()
        && ImageSequence::from_folder(folder, "fuzz".into(), &settings)
            .is_ok_and(|source| drained(DepthChecked::of(Box::new(source), "fuzz")))
}
