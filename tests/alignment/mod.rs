//! Deliveries of a clip whose truth is known, recorded and audited with the clip.

pub mod deliveries;
pub mod trial;
