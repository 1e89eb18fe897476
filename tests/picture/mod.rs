//! Mistakes of the picture: painted, recorded and audited.

pub mod mistakes;
pub mod scene;
