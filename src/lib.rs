//! Frame-cadence and judder auditor for recordings of video playback devices.
//!
//! Data flows one way and narrows at each step:
//!
//! ```text
//! capture ─ Frame ─▶ fingerprint ─ FrameFingerprint ─▶ classify ─ ClassifiedFrame ─▶ interlace ─▶ cadence ─▶ verdict ─▶ report
//! ```
//!
//! Pixels end at [`fingerprint`]. [`fingerprint`], [`classify`], [`interlace`], [`cadence`] and [`verdict`] are pure:
//! no files, clocks or threads. [`audit::audit`] is the entry that joins the stages.
//!
//! The feature `png-charts`, on unless `default-features = false`, draws charts as PNG beside those as SVG, for trackers
//! that refuse SVG. Without it reports, comparisons and campaigns have no PNG charts, name the SVG ones instead, and the
//! renderer, its font and 31 further crates are not built.

#![warn(missing_docs)]

#[cfg(test)]
extern crate self as evenbeat;

pub mod alignment;
pub mod audit;
pub mod audit_store;
pub mod cadence;
pub mod campaign;
pub mod cancel;
pub mod capture;
pub mod classify;
pub mod clip_code;
pub mod compare;
pub mod demo;
pub mod error;
pub mod escape;
pub mod fingerprint;
pub mod fingerprint_parts;
pub mod frame;
#[doc(hidden)]
pub mod fuzz;
pub mod interlace;
pub mod note;
pub mod output;
pub mod pictures;
pub mod pipeline;
pub mod reference;
pub mod report;
pub mod settings;
pub mod signatures;
pub mod testclip;
pub mod units;
pub mod verdict;
pub mod words;
