//! Writes a fingerprint log of any length for measuring: `long-log FRAMES FILE`.
//! A clip of 24 pictures per second on 60 frames, fingerprinted once and told over and over.

mod painted;

use std::fs::File;

use evenbeat::capture::log::LogWriter;
use evenbeat::pipeline::ReadingEnd;
use evenbeat::settings::ViewSettings;

fn main() -> std::result::Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let (Some(frames), Some(path)) = (arguments.next(), arguments.next()) else {
        return Err("usage: long-log FRAMES FILE".into());
    };
    let frames: u64 = frames.parse()?;
    let mut fingerprints = painted::fingerprints(painted::TURN * 2 / 5)?;
    let mut writer = LogWriter::new(File::create(&path)?, path, &painted::facts(), &ViewSettings::default())?;
    for index in 0..frames {
        let fingerprint = &mut fingerprints[painted::place(index)];
        fingerprint.index = index;
        writer.push(fingerprint)?;
    }
    writer.finish(&ReadingEnd { frames, ..ReadingEnd::default() })?;
    Ok(())
}
