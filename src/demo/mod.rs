//! An invented clip and invented devices that play it, painted at run time: `evenbeat demo` needs no file.
//!
//! * [`texture`]: deterministic smooth texture and a small random generator;
//! * [`harbour`]: the painted clip, a pure function of the picture number;
//! * [`schedule`]: which picture each delivered frame shows. The list is the truth;
//! * [`devices`]: four devices playing the clip, each a capture of its own;
//! * [`campaign`]: four devices on three clips, now and with an earlier firmware.

pub mod campaign;
pub mod devices;
pub mod harbour;
pub mod schedule;
pub mod texture;

pub use devices::{demo_captures, DemoCapture, PaintedCapture};
pub use harbour::Harbour;
pub use schedule::Shown;
