//! Caveats: what was assumed, guessed, converted or missing, and what it means for the result.

/// What a note is about. The code is written to `audit.json` in kebab case and never renamed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum NoteCode {
    /// The delivered rate is unknown and was assumed.
    RateAssumed,
    /// The delivered rate was estimated from timestamps.
    RateEstimated,
    /// The capture has no times of its own; they were laid out at the delivered rate.
    TimesAssumed,
    /// Times are even but for the rounding of their container, and were taken as even.
    TimesRounded,
    /// Pixels were converted before fingerprinting.
    PixelsConverted,
    /// The decoder or reader said something that may matter.
    ReaderMessage,
    /// The capture ends before its container says it should, or in the middle of a frame.
    Truncated,
    /// The decoder failed or reported damaged data.
    DecoderErrors,
    /// The format of the capture does not say where it ends.
    EndUnknown,
    /// Reading ended with an error after some frames.
    BrokenOff,
    /// The audit was interrupted; later frames were not looked at.
    Interrupted,
    /// Numbers are missing in an image sequence.
    NumberingGap,
    /// Timestamps repeat or run backwards.
    TimesNotIncreasing,
    /// There is too little motion or too few frames to judge.
    NothingToJudge,
    /// The finding assumes something about the clip that the capture cannot show.
    SourceAssumed,
    /// Still and frozen cannot be told apart somewhere.
    StillOrFrozen,
    /// New and repeated frames overlap in the measure; some calls rest on context.
    NoisyMeasure,
    /// Pictures may be missing without trace: no steady motion to count them in.
    LossesUnknown,
    /// Part of the picture was left out or only a part looked at.
    PartOfPicture,
    /// The stream is flagged interlaced.
    InterlacedFlag,
    /// The clip that was played was not read whole.
    ReferenceIncomplete,
    /// The picture was turned as the container says.
    PictureTurned,
    /// Clip and recording are said to have code values of different ranges.
    RangesDiffer,
}

/// Codes with their written names; the single table for both directions.
const NAMES: &[(NoteCode, &str)] = &[
    (NoteCode::RateAssumed, "rate-assumed"),
    (NoteCode::RateEstimated, "rate-estimated"),
    (NoteCode::TimesAssumed, "times-assumed"),
    (NoteCode::TimesRounded, "times-rounded"),
    (NoteCode::PixelsConverted, "pixels-converted"),
    (NoteCode::ReaderMessage, "reader-message"),
    (NoteCode::Truncated, "truncated"),
    (NoteCode::DecoderErrors, "decoder-errors"),
    (NoteCode::EndUnknown, "end-unknown"),
    (NoteCode::BrokenOff, "broken-off"),
    (NoteCode::Interrupted, "interrupted"),
    (NoteCode::NumberingGap, "numbering-gap"),
    (NoteCode::TimesNotIncreasing, "times-not-increasing"),
    (NoteCode::NothingToJudge, "nothing-to-judge"),
    (NoteCode::SourceAssumed, "source-assumed"),
    (NoteCode::StillOrFrozen, "still-or-frozen"),
    (NoteCode::NoisyMeasure, "noisy-measure"),
    (NoteCode::LossesUnknown, "losses-unknown"),
    (NoteCode::PartOfPicture, "part-of-picture"),
    (NoteCode::InterlacedFlag, "interlaced-flag"),
    (NoteCode::ReferenceIncomplete, "reference-incomplete"),
    (NoteCode::PictureTurned, "picture-turned"),
    (NoteCode::RangesDiffer, "ranges-differ"),
];

impl NoteCode {
    /// The name written to files.
    pub fn name(self) -> &'static str {
        NAMES.iter().find(|(code, _)| *code == self).map_or("unknown", |(_, name)| name)
    }

    /// The code with this written name.
    pub fn from_name(name: &str) -> Option<Self> {
        NAMES.iter().find(|(_, known)| *known == name).map(|(code, _)| *code)
    }

    /// Whether a capture with this note is not whole, so that the exit status must say so.
    pub fn makes_incomplete(self) -> bool {
        matches!(self, Self::Truncated | Self::DecoderErrors | Self::BrokenOff | Self::Interrupted)
    }
}

/// One caveat.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Note {
    /// What it is about.
    pub code: NoteCode,
    /// What was seen, why it matters and the remedy, in plain sentences.
    pub text: String,
}

impl Note {
    /// A note.
    pub fn new(code: NoteCode, text: impl Into<String>) -> Self {
        Self { code, text: text.into() }
    }
}
