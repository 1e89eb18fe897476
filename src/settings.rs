//! What the person chose, and every threshold with its unit and reason.

use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};

use crate::frame::{Rect, Scan};
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
    /// The clip that was played, or its fingerprint log.
    pub reference: Option<PathBuf>,
    /// A fingerprint log of that clip, which spares its first reading and changes nothing; what can be looked at in its
    /// pixels alone still is.
    pub reference_log: Option<PathBuf>,
    /// A fingerprint log of the capture, likewise.
    pub capture_log: Option<PathBuf>,
    /// How the capture is scanned, where the person knows it better than its pixels and flags.
    pub scan: Option<Scan>,
    /// The same of the clip that was played.
    pub reference_scan: Option<Scan>,
    /// What was recorded, and with what: told to readers, decides nothing.
    pub device: DeviceFacts,
}

/// What was recorded, and with what, in the person's own words.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct DeviceFacts {
    /// The device.
    pub name: Option<String>,
    /// Its firmware.
    pub firmware: Option<String>,
    /// How it was set up.
    pub setting: Option<String>,
    /// What recorded it.
    pub recorder: Option<String>,
}

impl DeviceFacts {
    /// Longest text, characters: a line or two of a report.
    pub const TEXT_MAX: usize = 200;

    /// Whether nothing is told.
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }

    /// What is told, each with its name for reading.
    pub fn told(&self) -> Vec<(&'static str, &str)> {
        let all = [
            ("Device", &self.name),
            ("Firmware", &self.firmware),
            ("Setting", &self.setting),
            ("Recorder", &self.recorder),
        ];
        all.into_iter().filter_map(|(name, text)| Some((name, text.as_deref()?))).collect()
    }

    /// These facts, and where they are silent those of `others`.
    #[must_use]
    pub fn or(self, others: Self) -> Self {
        Self {
            name: self.name.or(others.name),
            firmware: self.firmware.or(others.firmware),
            setting: self.setting.or(others.setting),
            recorder: self.recorder.or(others.recorder),
        }
    }
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
    /// Threads that measure, and threads of the decoder; `None` takes one per processor. What is found does not depend on
    /// it.
    pub threads: Option<NonZeroUsize>,
}

/// Which part of the picture to look at.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ViewSettings {
    /// Only this part, if set.
    pub region: Option<Rect>,
    /// Parts to leave out, in pixels of the whole picture.
    pub exclude: Vec<Rect>,
}

/// How the paths of a person's machine are told to others.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PathNames {
    /// By their last part: where on the machine a file lies is nobody's business.
    Last,
    /// As the person gave them.
    Whole,
}

impl PathNames {
    /// A path as it is told; one without a last part, such as `..`, stays as it is.
    pub fn of(self, path: &Path) -> String {
        let told = match self {
            Self::Last => path.file_name().unwrap_or(path.as_os_str()),
            Self::Whole => path.as_os_str(),
        };
        told.to_string_lossy().into_owned()
    }
}

impl Settings {
    /// Settings that differ from the default: name as on the command line, value.
    pub fn changed(&self, names: PathNames) -> Vec<(String, String)> {
        let path = |path: &Option<PathBuf>| path.as_ref().map(|path| names.of(path));
        let rect = |rect: &Rect| format!("{},{},{},{}", rect.x, rect.y, rect.width, rect.height);
        let fraction = |rate: Rate| format!("{}/{}", rate.num(), rate.den());
        let single = [
            ("--rate", self.reading.rate.map(fraction)),
            ("--timestamps", path(&self.reading.timestamps)),
            ("--decoder", path(&self.reading.decoder)),
            ("--stream", self.reading.stream.map(|stream| stream.to_string())),
            ("--region", self.view.region.as_ref().map(rect)),
            ("--source-rate", self.source_rate.map(fraction)),
            ("--reference", path(&self.reference)),
            ("--scan", self.scan.map(|scan| scan.name().to_owned())),
            ("--reference-scan", self.reference_scan.map(|scan| scan.name().to_owned())),
        ];
        let excluded = self.view.exclude.iter().map(|one| ("--exclude", Some(rect(one))));
        single
            .into_iter()
            .chain(excluded)
            .filter_map(|(name, value)| value.map(|value| (name.to_owned(), value)))
            .collect()
    }
}

/// The settings of an audit that are obeyed when it is read back. Whoever wrote the audit may be a stranger, so nothing
/// in here can name a program or a file: every member is a number or one of a few names. What does name one is taken
/// from the command line only.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RecordedSettings {
    rate: Option<Rate>,
    stream: Option<u32>,
    region: Option<Rect>,
    exclude: Vec<Rect>,
    source_rate: Option<Rate>,
    scan: Option<Scan>,
    reference_scan: Option<Scan>,
}

impl RecordedSettings {
    /// What can be obeyed of what [`Settings::changed`] told; the name and value that are not understood otherwise.
    /// Programs and files are passed over.
    ///
    /// # Errors
    /// A name or value that [`Settings::changed`] does not write.
    pub fn of(changed: &[(String, String)]) -> Result<Self, (String, String)> {
        let mut settings = Self::default();
        for (name, value) in changed {
            settings.set(name, value).ok_or_else(|| (name.clone(), value.clone()))?;
        }
        Ok(settings)
    }

    fn set(&mut self, name: &str, value: &str) -> Option<()> {
        match name {
            "--rate" => self.rate = Some(Rate::parse(value)?),
            "--stream" => self.stream = Some(value.parse().ok()?),
            "--region" => self.region = Some(Rect::parse(value)?),
            "--exclude" => self.exclude.push(Rect::parse(value)?),
            "--source-rate" => self.source_rate = Some(Rate::parse(value)?),
            "--scan" => self.scan = Some(Scan::from_name(value)?),
            "--reference-scan" => self.reference_scan = Some(Scan::from_name(value)?),
            // Programs and files; and what was required, which is held against what was found and no part of how it
            // was found.
            "--decoder" | "--timestamps" | "--reference" | "--require" => {}
            _ => return None,
        }
        Some(())
    }

    /// Settings that read a capture as the audit did, with the decoder that the person names.
    pub fn with_decoder(self, decoder: Option<PathBuf>) -> Settings {
        Settings {
            reading: ReadingSettings {
                rate: self.rate,
                decoder,
                stream: self.stream,
                ..ReadingSettings::default()
            },
            view: ViewSettings { region: self.region, exclude: self.exclude },
            source_rate: self.source_rate,
            reference: None,
            reference_log: None,
            capture_log: None,
            scan: self.scan,
            reference_scan: self.reference_scan,
            device: DeviceFacts::default(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn changed_settings_come_back_without_programs_and_files() {
        let rect = |x| Rect { x, y: 2, width: 3, height: 4 };
        let settings = Settings {
            reading: ReadingSettings {
                rate: Rate::new(60_000, 1001),
                timestamps: Some("times.txt".into()),
                decoder: Some("decoder".into()),
                stream: Some(1),
                threads: NonZeroUsize::new(3),
            },
            view: ViewSettings { region: Some(rect(1)), exclude: vec![rect(5), rect(6)] },
            source_rate: Rate::new(25, 1),
            reference: Some("clip.mkv".into()),
            reference_log: None,
            capture_log: None,
            scan: Some(Scan::BottomFieldFirst),
            reference_scan: Some(Scan::TopFieldFirst),
            device: DeviceFacts::default(),
        };
        let expected = Settings {
            reading: ReadingSettings {
                timestamps: None,
                decoder: None,
                threads: None,
                ..settings.reading.clone()
            },
            reference: None,
            ..settings.clone()
        };
        let recorded = RecordedSettings::of(&settings.changed(PathNames::Last)).unwrap();
        assert_eq!(recorded.with_decoder(None), expected);
        let odd = |name: &str, value: &str| (name.to_owned(), value.to_owned());
        for (name, value) in [("--rate", "fast"), ("--colour", "red"), ("--region", "1,2")] {
            assert_eq!(RecordedSettings::of(&[odd(name, value)]), Err(odd(name, value)));
        }
    }
}
