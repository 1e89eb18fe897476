//! What was recorded, and with what, in the person's words: from options, and from a small file.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use clap::Args;
use evenbeat::error::{excerpt, Error, Result};
use evenbeat::settings::DeviceFacts;
use serde::Deserialize;

/// Largest file that is read, bytes: four texts with comments are a few hundred.
const FILE_BYTES_MAX: u64 = 65_536;

/// Who and what. Free text, told in every output; it decides nothing.
#[derive(Args, Debug, Default)]
#[command(next_help_heading = "Who and what")]
pub struct AboutArguments {
    /// The device that was recorded.
    #[arg(long, value_name = "NAME", value_parser = text)]
    pub device: Option<String>,
    /// The device's firmware.
    #[arg(long, value_name = "TEXT", value_parser = text)]
    pub firmware: Option<String>,
    /// How the device was set up.
    #[arg(long, value_name = "TEXT", value_parser = text)]
    pub setting: Option<String>,
    /// What recorded the device.
    #[arg(long, value_name = "TEXT", value_parser = text)]
    pub recorder: Option<String>,
    /// TOML file that says the same by lines such as `firmware = "2.1"`; options go before it.
    #[arg(long, value_name = "FILE")]
    pub about: Option<PathBuf>,
}

impl AboutArguments {
    /// What is told by the options, then by the file.
    pub fn facts(&self) -> Result<DeviceFacts> {
        let own = DeviceFacts {
            name: self.device.clone(),
            firmware: self.firmware.clone(),
            setting: self.setting.clone(),
            recorder: self.recorder.clone(),
        };
        match &self.about {
            Some(path) => Ok(own.or(read(path)?)),
            None => Ok(own),
        }
    }
}

/// What the file may say.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Lines {
    device: Option<String>,
    firmware: Option<String>,
    setting: Option<String>,
    recorder: Option<String>,
}

fn read(path: &Path) -> Result<DeviceFacts> {
    let wrong = |cause: String| {
        Error::new(
            path.display().to_string(),
            "cannot be read as a file about the device",
            cause,
            "write lines such as: device = \"kitchen box\"",
        )
    };
    let mut content = String::new();
    let file = File::open(path).map_err(|error| wrong(error.to_string()))?;
    let length =
        file.take(FILE_BYTES_MAX).read_to_string(&mut content).map_err(|error| wrong(error.to_string()))?;
    if length as u64 == FILE_BYTES_MAX {
        return Err(wrong(format!("it is larger than {FILE_BYTES_MAX} bytes")));
    }
    let lines: Lines = toml::from_str(&content).map_err(|error| wrong(excerpt(error.message())))?;
    let told = |name: &str, value: Option<String>| match value {
        Some(value) => text(&value).map(Some).map_err(|cause| wrong(format!("{name}: {cause}"))),
        None => Ok(None),
    };
    Ok(DeviceFacts {
        name: told("device", lines.device)?,
        firmware: told("firmware", lines.firmware)?,
        setting: told("setting", lines.setting)?,
        recorder: told("recorder", lines.recorder)?,
    })
}

/// A text as it is told: without space around it.
fn text(text: &str) -> std::result::Result<String, String> {
    let text = text.trim();
    if (1..=DeviceFacts::TEXT_MAX).contains(&text.chars().count()) {
        return Ok(text.to_owned());
    }
    Err(format!("a text is 1 to {} characters", DeviceFacts::TEXT_MAX))
}
