//! Every frame's call in a compact form for the interactive timeline: one byte for the call, one for the flags
//! and, where the capture has times of its own, the steps between them, compressed with zlib (RFC 1950), which
//! browsers read back themselves.

use std::io::Write;

use base64::engine::general_purpose::STANDARD;
use base64::Engine;
use flate2::write::ZlibEncoder;
use flate2::Compression;

use super::text::ticks_from_start;
use crate::audit::Audit;
use crate::classify::{Evidence, FrameClass};

/// The frame repeats outside the pattern: in a hold that breaks it or in a freeze.
const OUTSIDE_PATTERN: u8 = 1 << 4;
/// The call is less sure than [`CONFIDENCE_SURE`].
const UNSURE: u8 = 1 << 5;
/// Confidence from which a call counts as sure.
const CONFIDENCE_SURE: f32 = 0.95;
/// Bytes of one step between times: 48 bit of microseconds, four years and a half either way.
const STEP_BYTES: usize = 6;
/// Level 6 of 9: on ten hours of frames higher levels take longer and save less than 1 %.
const COMPRESSION: Compression = Compression::new(6);

/// The data as base64 of a zlib stream: calls, flags, and the planes of the steps, least byte first.
pub(super) fn packed(audit: &Audit) -> String {
    let mut bytes = calls(audit);
    bytes.extend(audit.frames.iter().map(|frame| frame.flags.0));
    if audit.times.measured {
        push_steps(&mut bytes, audit);
    }
    let mut encoder = ZlibEncoder::new(Vec::new(), COMPRESSION);
    encoder
        .write_all(&bytes)
        .and_then(|()| encoder.finish())
        .map_or_else(|_| unreachable!("memory takes every byte"), |compressed| STANDARD.encode(compressed))
}

fn calls(audit: &Audit) -> Vec<u8> {
    let mut calls: Vec<u8> = audit
        .frames
        .iter()
        .map(|frame| {
            let class = match frame.class {
                FrameClass::New => 0,
                FrameClass::Repeat => 1,
                FrameClass::Still => 2,
            };
            let evidence = match frame.evidence {
                Evidence::Digest => 0,
                Evidence::Measure => 1,
                Evidence::Cadence => 2,
                Evidence::Reference | Evidence::Mark => 3,
            };
            let unsure = if frame.confidence < CONFIDENCE_SURE { UNSURE } else { 0 };
            class | evidence << 2 | unsure
        })
        .collect();
    let breaks = audit.cadence.breaks.iter().map(|found| (found.frame, u64::from(found.found_hold)));
    let freezes = audit.cadence.freezes.iter().map(|freeze| {
        (freeze.first_frame, freeze.last_frame.saturating_sub(freeze.first_frame).saturating_add(1))
    });
    for (first, length) in breaks.chain(freezes) {
        let place = |frame: u64| usize::try_from(frame).unwrap_or(usize::MAX).min(calls.len());
        let (first, end) = (place(first), place(first.saturating_add(length)));
        for call in &mut calls[first..end] {
            *call |= OUTSIDE_PATTERN;
        }
    }
    calls
}

/// Steps from frame to frame in microseconds, as differences of rounded times so that rounding never adds up.
/// Byte by byte in planes: most bytes of most steps are equal, which compresses to next to nothing.
fn push_steps(bytes: &mut Vec<u8>, audit: &Audit) {
    let frames = audit.frames.len();
    let start = bytes.len();
    bytes.resize(start + frames * STEP_BYTES, 0);
    let mut before = 0;
    for frame in 0..frames {
        let ticks = ticks_from_start(audit, frame as u64);
        let now = audit.times.base.nanoseconds(ticks) / 1000;
        let step = (now - before) as i64;
        before = now;
        for (plane, byte) in step.to_le_bytes().into_iter().take(STEP_BYTES).enumerate() {
            bytes[start + plane * frames + frame] = byte;
        }
    }
}
