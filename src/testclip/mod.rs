//! The test clip: pictures that carry their own number, so that a recording of any device tells by itself which
//! picture each frame shows. [`crate::fingerprint::marks`] reads them back.
//!
//! * [`settings`]: what can be asked for;
//! * `layout`: where things stand in the picture, for every size;
//! * `lettering`: a small font of its own;
//! * `cloth`: the moving texture;
//! * `quilt`: patches of known levels and colours, a ramp, and rulers to the edges;
//! * [`painter`]: pictures, fields and frames as samples, integers only;
//! * [`mod@write`]: the clip as YUV4MPEG2.
//!
//! Nothing in the clip changes its relative luminance by a tenth or more, which is what makes a flash by ITU-R BT.1702
//! and WCAG 2.3.1: the levels in [`painter`] are chosen for it, and a test measures painted pictures.

mod cloth;
mod layout;
mod lettering;
pub mod painter;
mod quilt;
pub mod settings;
pub mod write;

pub use painter::ClipPainter;
pub use settings::{ClipSettings, Pulldown};
pub use write::{write_clip, Ended, Written};
