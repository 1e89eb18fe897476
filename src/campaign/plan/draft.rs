//! What a plan says, before it is checked as a whole.

use std::path::PathBuf;

use chrono::{DateTime, FixedOffset};

use crate::frame::{Rect, Scan};
use crate::units::Rate;
use crate::verdict::gate::Requirement;

/// A plan, each part with the place where it is said.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Draft {
    pub title: Option<String>,
    pub date: Option<DateTime<FixedOffset>>,
    pub part_bytes: Option<u64>,
    pub defaults: Reading,
    pub clips: Vec<DraftClip>,
    pub devices: Vec<DraftDevice>,
    pub recordings: Vec<DraftRecording>,
}

/// A clip; paths are whole or count from the current folder.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct DraftClip {
    pub at: String,
    pub id: String,
    pub name: Option<String>,
    pub file: Option<PathBuf>,
    pub rate: Option<Rate>,
    pub scan: Option<Scan>,
    pub require: Vec<Requirement>,
}

/// A device.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct DraftDevice {
    pub at: String,
    pub id: String,
    pub name: Option<String>,
    pub firmware: Option<String>,
    pub settings: Option<String>,
    pub recorder: Option<String>,
}

/// A recording; without a file where the plan names none, which was said.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct DraftRecording {
    pub at: String,
    pub device: String,
    pub clip: String,
    pub file: Option<PathBuf>,
    pub reading: Reading,
}

/// How recordings are read and what they must meet.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Reading {
    pub rate: Option<Rate>,
    pub timestamps: Option<PathBuf>,
    pub stream: Option<u32>,
    pub region: Option<Rect>,
    pub exclude: Vec<Rect>,
    pub scan: Option<Scan>,
    pub require: Vec<Requirement>,
}
