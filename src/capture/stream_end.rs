//! Whether a stream that simply stops was whole: what its last bytes say, where its format says anything.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;

use crate::note::{Note, NoteCode};

/// Bytes looked at before the end of a file: more than any end mark and what may stand after it.
const TAIL: u64 = 64 * 1024;

/// Sizes of a packet of a transport stream: plain, with a time stamp before it (disc recorders), with error correction
/// (ITU-T H.222.0 clause 2.4.3.2; the others common practice, no source).
const TRANSPORT_PACKETS: [u64; 3] = [188, 192, 204];

/// Start of the label of a footer partition (SMPTE ST 377-1, clause 7.4; from memory).
const FOOTER_PARTITION: &[u8] =
    &[0x06, 0x0e, 0x2b, 0x34, 0x02, 0x05, 0x01, 0x01, 0x0d, 0x01, 0x02, 0x01, 0x01, 0x04];

/// How a stream ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum End {
    /// With what its format asks for.
    Marked,
    /// In the middle of something, which is named.
    Cut(&'static str),
    /// Its format does not say where it ends.
    Unknown,
    /// The container says how long it is: looked at elsewhere.
    Elsewhere,
}

/// The caveat on the end of a stream in the container or format `demuxer`; `path` is its file, where it is one.
pub(super) fn note(demuxer: &str, path: Option<&Path>) -> Option<Note> {
    let (length, tail) = path.and_then(tail_of).unwrap_or_default();
    match end(demuxer, length, &tail) {
        End::Marked | End::Elsewhere => None,
        End::Cut(what) => Some(Note::new(
            NoteCode::Truncated,
            format!("The capture ends in the middle of {what}: it was cut short. Record or copy it again."),
        )),
        End::Unknown => Some(Note::new(
            NoteCode::EndUnknown,
            "This kind of stream does not say where it ends. If the recording was cut short, it does not show.",
        )),
    }
}

/// Length of a file and its last bytes.
fn tail_of(path: &Path) -> Option<(u64, Vec<u8>)> {
    let mut file = File::open(path).ok()?;
    let length = file.metadata().ok()?.len();
    file.seek(SeekFrom::Start(length.saturating_sub(TAIL))).ok()?;
    let mut tail = Vec::new();
    file.take(TAIL).read_to_end(&mut tail).ok()?;
    Some((length, tail))
}

fn end(demuxer: &str, length: u64, tail: &[u8]) -> End {
    if tail.is_empty() && !matches!(demuxer, "mxf" | "gif") {
        return if says_no_end(demuxer) { End::Unknown } else { End::Elsewhere };
    }
    // What stands after an end mark: padding of disks and tapes.
    let trimmed = &tail[..tail.len() - tail.iter().rev().take_while(|&&byte| byte == 0).count()];
    match demuxer {
        "mpegts" if TRANSPORT_PACKETS.iter().all(|packet| length % packet != 0) => End::Cut("a packet"),
        "gif" if trimmed.last() == Some(&0x3b) => End::Marked,
        "gif" if !tail.is_empty() => End::Cut("an image"),
        "mjpeg" if trimmed.ends_with(&[0xff, 0xd9]) => End::Unknown,
        "mjpeg" => End::Cut("a picture"),
        // Program and sequence end codes (ITU-T H.222.0 and H.262).
        "mpeg" if trimmed.ends_with(&[0, 0, 1, 0xb9]) => End::Marked,
        "mpegvideo" | "m4v" if trimmed.ends_with(&[0, 0, 1, 0xb7]) || trimmed.ends_with(&[0, 0, 1, 0xb1]) => {
            End::Marked
        }
        "mxf" if tail.windows(FOOTER_PARTITION.len()).any(|bytes| bytes == FOOTER_PARTITION) => End::Marked,
        "mxf" if !tail.is_empty() => End::Cut("its last partition"),
        _ if says_no_end(demuxer) => End::Unknown,
        _ => End::Elsewhere,
    }
}

/// Formats that are a row of units without a count, a length or an end mark that must be there.
fn says_no_end(demuxer: &str) -> bool {
    matches!(
        demuxer,
        "av1"
            | "avs2"
            | "avs3"
            | "cavsvideo"
            | "dirac"
            | "dnxhd"
            | "dv"
            | "evc"
            | "flv"
            | "h261"
            | "h263"
            | "h264"
            | "hevc"
            | "ingenient"
            | "live_flv"
            | "m4v"
            | "mjpeg"
            | "mjpeg_2000"
            | "mpeg"
            | "mpegts"
            | "mpegtsraw"
            | "mpegvideo"
            | "obu"
            | "vc1"
            | "vvc"
            | "yuv4mpegpipe"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_bytes_say_what_the_format_has_to_say() {
        let footer = [FOOTER_PARTITION, &[0, 1, 2]].concat();
        for (demuxer, length, tail, expected) in [
            ("mpegts", 188 * 10, &[0x47u8, 0][..], End::Unknown),
            ("mpegts", 192 * 7, &[0x47, 0], End::Unknown),
            ("mpegts", 188 * 10 + 77, &[0x47, 0], End::Cut("a packet")),
            ("gif", 100, &[1, 2, 0x3b], End::Marked),
            ("gif", 100, &[1, 2, 3], End::Cut("an image")),
            ("mjpeg", 100, &[1, 0xff, 0xd9], End::Unknown),
            ("mjpeg", 100, &[1, 0xff, 0xd8], End::Cut("a picture")),
            ("mpegvideo", 100, &[0, 0, 1, 0xb7], End::Marked),
            ("mpegvideo", 100, &[0, 0, 1, 0], End::Unknown),
            ("mpeg", 100, &[0, 0, 1, 0xb9, 0, 0], End::Marked),
            ("h264", 100, &[0, 0, 1], End::Unknown),
            ("mxf", 100, &footer, End::Marked),
            ("mxf", 100, &[1, 2, 3], End::Cut("its last partition")),
            ("matroska", 100, &[1, 2, 3], End::Elsewhere),
            ("h264", 0, &[], End::Unknown),
            ("mov", 0, &[], End::Elsewhere),
            ("gif", 0, &[], End::Elsewhere),
        ] {
            assert_eq!(end(demuxer, length, tail), expected, "{demuxer} {length} {tail:?}");
        }
    }
}
