//! Colours. Source: M. Okabe, K. Ito, "Color Universal Design" (2008): eight colours that people with the
//! common kinds of colour blindness tell apart. Greys are added for ink, grid and what is not judged.
//! Colour never stands alone: position or shape carries the same information.

/// A new picture: blue.
pub const NEW: &str = "#0072B2";
/// A repeat that follows the cadence: orange.
pub const REPEAT: &str = "#E69F00";
/// A repeat that leaves the cadence, and faults: vermillion.
pub const FAULT: &str = "#D55E00";
/// Warnings: reddish purple.
pub const WARNING: &str = "#CC79A7";
/// Findings worth knowing: bluish green.
pub const INFO: &str = "#009E73";
/// A still frame: nothing to judge.
pub const STILL: &str = "#8C8C8C";
/// Holds.
pub const HOLD: &str = "#000000";
/// Text.
pub const INK: &str = "#1A1A1A";
/// Text of lesser weight; contrast 7:1 on white.
pub const QUIET_INK: &str = "#555555";
/// Grid lines.
pub const GRID: &str = "#DDDDDD";
/// Ground of the chart, in both colour schemes.
pub const PAPER: &str = "#FFFFFF";
