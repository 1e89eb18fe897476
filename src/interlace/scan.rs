//! How the capture is scanned: pixels first, flags second, the person above both.

use super::detect::{Picture, Woven};
use super::Parity;
use crate::frame::{Coding, Scan};
use crate::units::Rate;

/// Frames of two fields come at most this fast, Hz: 30 frames/s is the fastest interlaced scan of ITU-R BT.709-6, with
/// room for clocks. A faster capture that is combed holds combed pictures, not fields.
const INTERLACED_RATE_MAX_HZ: f64 = 31.0;
/// Share of the pictures in motion that must be woven of two moments for an interlaced capture. Film in fields has two of
/// five, less where its pattern needs fewer.
const WOVEN_SHARE_MIN: f64 = 0.1;
/// Pictures on each side that decide with one which stretch it belongs to.
const SEGMENT_PICTURES: usize = 25;

/// Where the decided scan comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ScanSource {
    /// The person said it.
    Given,
    /// The fields of the pictures in motion.
    Pixels,
    /// Flags of the stream or its container, because the pixels say nothing.
    Flags,
    /// Nothing says it.
    Unknown,
}

impl ScanSource {
    /// All with their written names.
    pub const NAMES: [(Self, &'static str); 4] = [
        (Self::Given, "given"),
        (Self::Pixels, "pixels"),
        (Self::Flags, "flags"),
        (Self::Unknown, "unknown"),
    ];

    /// The name written to files.
    pub fn name(self) -> &'static str {
        Self::NAMES.iter().find(|(source, _)| *source == self).map_or("unknown", |(_, name)| name)
    }

    /// The source with this written name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::NAMES.iter().find(|(_, known)| *known == name).map(|&(source, _)| source)
    }
}

/// A stretch of one scan.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ScanSegment {
    /// First frame.
    pub first_frame: u64,
    /// Last frame, inclusive.
    pub last_frame: u64,
    /// Its scan.
    pub scan: Scan,
}

/// How the capture is scanned, and why that is believed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ScanDecision {
    /// The scan.
    pub scan: Scan,
    /// What it rests on.
    pub source: ScanSource,
    /// Stretches of different scan, in order; one for the whole where it does not change.
    pub segments: Vec<ScanSegment>,
}

/// What is known of the scan besides the pixels.
#[derive(Clone, Copy, Debug)]
pub struct ScanFacts {
    /// What flags say.
    pub flagged: Scan,
    /// What the person says.
    pub given: Option<Scan>,
    /// Frames per second of the capture.
    pub delivered_rate: Rate,
    /// Frames of the capture.
    pub frames: usize,
    /// How its samples were coded.
    pub coding: Coding,
}

impl ScanFacts {
    /// Whether frames come slowly enough to be interlaced.
    fn may_be_interlaced(&self) -> bool {
        self.delivered_rate.hz() <= INTERLACED_RATE_MAX_HZ
    }
}

/// Decides the scan from what the pictures are found to be.
pub(super) fn decide(pictures: &[Picture], facts: &ScanFacts) -> ScanDecision {
    let last_frame = (facts.frames as u64).saturating_sub(1);
    let whole = |scan| vec![ScanSegment { first_frame: 0, last_frame, scan }];
    if let Some(scan) = facts.given {
        return ScanDecision { scan, source: ScanSource::Given, segments: whole(scan) };
    }
    let told: Vec<&Picture> = pictures.iter().filter(|picture| picture.weave != Woven::Unknown).collect();
    if told.is_empty() {
        let source = if facts.flagged == Scan::Unknown { ScanSource::Unknown } else { ScanSource::Flags };
        return ScanDecision { scan: facts.flagged, source, segments: whole(facts.flagged) };
    }
    if !facts.may_be_interlaced() {
        let scan = Scan::Progressive;
        return ScanDecision { scan, source: ScanSource::Pixels, segments: whole(scan) };
    }
    let segments = segments(&told, last_frame);
    ScanDecision { scan: overall(&segments), source: ScanSource::Pixels, segments }
}

/// The scan of the whole: interlaced where a stretch is, mixed where the order of the fields changes.
fn overall(segments: &[ScanSegment]) -> Scan {
    let has = |scan| segments.iter().any(|segment| segment.scan == scan);
    match (has(Scan::TopFieldFirst), has(Scan::BottomFieldFirst)) {
        (true, true) => Scan::Mixed,
        (true, false) => Scan::TopFieldFirst,
        (false, true) => Scan::BottomFieldFirst,
        (false, false) => Scan::Progressive,
    }
}

/// Stretches of pictures that share a scan: each picture counts with those around it, so that film's clean frames belong
/// to the fields that they lie among.
fn segments(told: &[&Picture], last_frame: u64) -> Vec<ScanSegment> {
    let mut segments: Vec<ScanSegment> = Vec::new();
    for (place, picture) in told.iter().enumerate() {
        let near =
            &told[place.saturating_sub(SEGMENT_PICTURES)..(place + SEGMENT_PICTURES + 1).min(told.len())];
        let scan = scan_of(near);
        let frame = picture.frame as u64;
        match segments.last_mut() {
            Some(last) if last.scan == scan => {}
            Some(last) => {
                last.last_frame = frame.saturating_sub(1);
                segments.push(ScanSegment { first_frame: frame, last_frame, scan });
            }
            None => segments.push(ScanSegment { first_frame: 0, last_frame, scan }),
        }
    }
    segments
}

fn scan_of(near: &[&Picture]) -> Scan {
    let (mut top, mut bottom) = (0usize, 0usize);
    for picture in near {
        match picture.weave {
            Woven::Video(Parity::Top) | Woven::Mixed(Parity::Top) => top += 1,
            Woven::Video(Parity::Bottom) | Woven::Mixed(Parity::Bottom) => bottom += 1,
            Woven::Clean | Woven::Scaled(_) | Woven::Unknown => {}
        }
    }
    if ((top + bottom) as f64) < WOVEN_SHARE_MIN * near.len() as f64 {
        Scan::Progressive
    } else if top >= bottom {
        Scan::TopFieldFirst
    } else {
        Scan::BottomFieldFirst
    }
}
