//! New, repeat or still: three layers of evidence. Pure.

use crate::fingerprint::Digest;

/// What a frame shows relative to the frame before.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum FrameClass {
    /// Another picture.
    New,
    /// The same picture, the scene being in motion.
    Repeat,
    /// The same picture, where nothing tells whether the source moved. Never a fault.
    Still,
}

impl FrameClass {
    /// The name written to files.
    pub fn name(self) -> &'static str {
        match self {
            Self::New => "new",
            Self::Repeat => "repeat",
            Self::Still => "still",
        }
    }
}

/// Which layer of evidence decided a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Evidence {
    /// Equal digests: proof.
    Digest,
    /// The measured change.
    Measure,
    /// The cadence around it, where the measure left it open.
    Cadence,
}

impl Evidence {
    /// The name written to files.
    pub fn name(self) -> &'static str {
        match self {
            Self::Digest => "digest",
            Self::Measure => "measure",
            Self::Cadence => "cadence",
        }
    }
}

/// Marks a frame can carry besides its class.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct FrameFlags(pub u8);

impl FrameFlags {
    /// A weighted mix of two pictures.
    pub const BLEND: Self = Self(1);
    /// Two fields of different moments woven into one frame.
    pub const COMBED: Self = Self(2);
    /// Rebuilt from one field.
    pub const ONE_FIELD: Self = Self(4);
    /// An earlier picture shown again, or pictures swapped.
    pub const OUT_OF_ORDER: Self = Self(8);
    /// Pictures before this one never appeared, timestamps whole.
    pub const AFTER_DROP: Self = Self(16);
    /// The recorder lost frames before this one.
    pub const AFTER_GAP: Self = Self(32);
    /// First frame of another shot.
    pub const CUT: Self = Self(64);

    /// All flags with their written names, in the order they are written.
    pub const NAMES: [(Self, &'static str); 7] = [
        (Self::BLEND, "blend"),
        (Self::COMBED, "combed"),
        (Self::ONE_FIELD, "one-field"),
        (Self::OUT_OF_ORDER, "out-of-order"),
        (Self::AFTER_DROP, "after-drop"),
        (Self::AFTER_GAP, "after-gap"),
        (Self::CUT, "cut"),
    ];

    /// Whether every flag of `other` is set.
    pub fn contains(self, other: Self) -> bool {
        self.0 & other.0 == other.0
    }

    /// Sets every flag of `other`.
    pub fn insert(&mut self, other: Self) {
        self.0 |= other.0;
    }

    /// Written names of the flags set, in order.
    pub fn names(self) -> impl Iterator<Item = &'static str> {
        Self::NAMES.into_iter().filter(move |(flag, _)| self.contains(*flag)).map(|(_, name)| name)
    }
}

/// The verdict on one frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClassifiedFrame {
    /// New, repeat or still.
    pub class: FrameClass,
    /// Probability that the class is right, 0 to 1 (for still: that the picture is the same as before).
    pub confidence: f32,
    /// Which layer decided.
    pub evidence: Evidence,
    /// Largest block change against the frame before, code values scaled to 8 bit; 0 for frame 0.
    pub change: f32,
    /// Estimated number of pictures that never appeared just before this one (0 where none or not known).
    pub lost_before: u16,
    /// Marks.
    pub flags: FrameFlags,
    /// Digest of the visible samples.
    pub digest: Digest,
}
