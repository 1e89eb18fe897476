//! What the person chose, and every threshold with its unit and reason.

use std::path::PathBuf;

use crate::frame::Rect;
use crate::units::Rate;

/// Choices for one audit. `Default` is what the command line gives without options.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Settings {
    /// How to read the capture.
    pub reading: ReadingSettings,
    /// Which part of the picture to look at.
    pub view: ViewSettings,
    /// Rate of the clip that was played, where the person knows it.
    pub source_rate: Option<Rate>,
}

/// How to read a capture.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ReadingSettings {
    /// Delivered rate to use where the capture does not say one, or says a wrong one.
    pub rate: Option<Rate>,
    /// File with one time per frame.
    pub timestamps: Option<PathBuf>,
    /// Decoder program; `None` looks for `ffmpeg` on the search path.
    pub decoder: Option<PathBuf>,
    /// Which video stream of a container, from 0 among its video streams.
    pub stream: Option<u32>,
}

/// Which part of the picture to look at.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ViewSettings {
    /// Only this part, if set.
    pub region: Option<Rect>,
    /// Parts to leave out, in pixels of the whole picture.
    pub exclude: Vec<Rect>,
}

impl Settings {
    /// Settings that differ from the default: name as on the command line, value.
    pub fn changed(&self) -> Vec<(String, String)> {
        let path = |path: &Option<PathBuf>| path.as_ref().map(|path| path.display().to_string());
        let rect = |rect: &Rect| format!("{},{},{},{}", rect.x, rect.y, rect.width, rect.height);
        let fraction = |rate: Rate| format!("{}/{}", rate.num(), rate.den());
        let single = [
            ("--rate", self.reading.rate.map(fraction)),
            ("--timestamps", path(&self.reading.timestamps)),
            ("--decoder", path(&self.reading.decoder)),
            ("--stream", self.reading.stream.map(|stream| stream.to_string())),
            ("--region", self.view.region.as_ref().map(rect)),
            ("--source-rate", self.source_rate.map(fraction)),
        ];
        let excluded = self.view.exclude.iter().map(|one| ("--exclude", Some(rect(one))));
        single
            .into_iter()
            .chain(excluded)
            .filter_map(|(name, value)| value.map(|value| (name.to_owned(), value)))
            .collect()
    }
}
