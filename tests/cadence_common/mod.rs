//! Captures built from holds, for the cadence tests.
#![allow(dead_code)] // Each test file uses its own part.

use evenbeat::cadence::{analyse, CadenceAnalysis, FrameTimes};
use evenbeat::classify::{ClassifiedFrame, Evidence, FrameClass, FrameFlags};
use evenbeat::units::Rate;

/// A rate by its name.
pub fn rate(name: &str) -> Rate {
    Rate::parse(name).unwrap()
}

/// One frame of a class, nothing else said.
pub fn frame(class: FrameClass) -> ClassifiedFrame {
    ClassifiedFrame {
        class,
        confidence: 1.0,
        evidence: Evidence::Digest,
        change: 0.0,
        lost_before: 0,
        lost_uncertainty: 0.0,
        blend_weight: 0.0,
        flags: FrameFlags::default(),
        digest: [0; 32],
    }
}

/// A new frame and repeats for each hold.
pub fn frames(holds: &[u32]) -> Vec<ClassifiedFrame> {
    holds
        .iter()
        .flat_map(|&hold| (0..hold).map(|k| frame(if k == 0 { FrameClass::New } else { FrameClass::Repeat })))
        .collect()
}

/// Even times, one tick per frame.
pub fn even_times(count: usize, delivered_rate: Rate) -> FrameTimes {
    FrameTimes {
        base: delivered_rate.time_base(),
        ticks: (0..count as i64).collect(),
        measured: false,
        delivered_rate,
    }
}

/// Analysis of these holds at a delivered rate.
pub fn analyse_holds_at(holds: &[u32], delivered: Rate) -> CadenceAnalysis {
    let frames = frames(holds);
    analyse(&frames, &even_times(frames.len(), delivered))
}

/// Analysis of these holds at 60 frames per second.
pub fn analyse_holds(holds: &[u32]) -> CadenceAnalysis {
    analyse_holds_at(holds, rate("60"))
}

/// `period` again and again.
pub fn repeated(period: &[u32], times: usize) -> Vec<u32> {
    period.repeat(times)
}

/// Holds of p pictures on q frames: picture k first appears in frame ⌈kq/p⌉.
pub fn mechanical_word(p: u64, q: u64, count: u64) -> Vec<u32> {
    (0..count).map(|k| (((k + 1) * q).div_ceil(p) - (k * q).div_ceil(p)) as u32).collect()
}

/// Numbers that are the same on every machine (the multiplicative generator of NIST SP 1065 section 12.4:
/// n ← 16807·n mod 2147483647).
pub struct Numbers(u64);

impl Numbers {
    /// A sequence of its own for each seed.
    pub fn new(seed: u64) -> Self {
        Self(1 + seed % 2_147_483_646)
    }

    /// The next number below `limit`.
    pub fn below(&mut self, limit: u64) -> u64 {
        self.0 = self.0 * 16807 % 2_147_483_647;
        self.0 % limit
    }
}
