//! `evenbeat campaign report`: one page about one recording, for the maker of the device.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use clap::Args;
use evenbeat::audit_store::{STRIP_PNG, TIMELINE_PNG};
use evenbeat::campaign::json;
use evenbeat::campaign::model::Campaign;
use evenbeat::cancel;
use evenbeat::capture::copy_excerpt;
use evenbeat::error::{Error, Result};
use evenbeat::output::manifest::Manifest;
use evenbeat::output::same::{refuse_inputs, Input, Output};
use evenbeat::output::{write_error, Existing, OutputFolder};
use evenbeat::report::campaign::{excerpt_stretch, maker_page, Excerpt, MakerReport, Place, MAKER_HTML};
use evenbeat::settings::ReadingSettings;

use super::exit::Exit;
use super::interrupt::STOP;
use super::say;

/// Name of the piece of the recording beside the page.
const EXCERPT_MKV: &str = "excerpt.mkv";
/// Largest picture taken along, bytes: those of reports are smaller by far.
const PICTURE_BYTES_MAX: u64 = 16 << 20;

/// `campaign report`.
#[derive(Args, Debug)]
#[command(after_help = EXAMPLES)]
pub struct CampaignReportArguments {
    /// Which recording: DEVICE/CLIP by their names in the plan, or DEVICE/CLIP/RUN.
    #[arg(value_name = "CELL")]
    pub cell: String,
    /// The campaign: its folder.
    #[arg(long, value_name = "DIR", default_value = ".")]
    pub campaign: PathBuf,
    /// Folder for the page; without it `DEVICE-CLIP-bug-report` in the current folder.
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Put a piece of this recording around the worst event beside the page, cut without encoding it anew.
    #[arg(long, value_name = "RECORDING")]
    pub excerpt: Option<PathBuf>,
    /// Decoder program that cuts; without it `ffmpeg` is looked for on the search path.
    #[arg(long, value_name = "PATH")]
    pub decoder: Option<PathBuf>,
    /// Write into the folder although it is there.
    #[arg(long)]
    pub force: bool,
    /// No summary.
    #[arg(long, short)]
    pub quiet: bool,
}

const EXAMPLES: &str = "\
Examples:
  evenbeat campaign report kitchen/harbour --campaign results
  evenbeat campaign report kitchen/harbour/2 --campaign results --excerpt recordings/kitchen/harbour.2.mkv";

/// Writes the page.
///
/// # Errors
/// The campaign cannot be read or has no such recording, no excerpt can be cut, or the folder cannot be written.
pub fn report(arguments: &CampaignReportArguments) -> Result<Exit> {
    let campaign = json::read(&arguments.campaign)?;
    let place = Place::find(&campaign, &arguments.cell)?;
    let out = arguments.out.clone().unwrap_or_else(|| default_folder(&campaign, place));
    let recording = arguments.excerpt.as_deref();
    let mut inputs = vec![Input { what: "the campaign", path: &arguments.campaign }];
    inputs.extend(recording.map(|path| Input { what: "the recording", path }));
    refuse_inputs(&[Output { what: "output folder", path: &out }], &inputs)?;
    let existing = if arguments.force { Existing::Replace } else { Existing::Keep };
    let folder = OutputFolder::reserve(&out, existing)?;
    folder.expect_free(&[MAKER_HTML, EXCERPT_MKV])?;
    let excerpt =
        recording.map(|recording| cut(&folder, recording, arguments, (&campaign, place))).transpose()?;
    let pictures = folder_of(arguments, &campaign, place);
    let page = maker_page(MakerReport {
        campaign: &campaign,
        place,
        strip: picture(&pictures, STRIP_PNG).as_deref(),
        timeline: picture(&pictures, TIMELINE_PNG).as_deref(),
        excerpt: excerpt.as_ref(),
    });
    folder.write_file(MAKER_HTML, |file| file.write_all(page.as_bytes()))?;
    let shown = folder.path().join(MAKER_HTML);
    folder.commit()?;
    if !arguments.quiet {
        say::answer(&format!("page: {}\n", shown.display()));
    }
    Ok(Exit::Clean)
}

/// `DEVICE-CLIP-bug-report`, of what every system takes for a name.
fn default_folder(campaign: &Campaign, place: Place) -> PathBuf {
    PathBuf::from(format!("{}-bug-report", place.file_name(campaign)))
}

/// Where the report of the recording lies.
fn folder_of(arguments: &CampaignReportArguments, campaign: &Campaign, place: Place) -> PathBuf {
    let given = &arguments.campaign;
    let folder = if given.is_dir() { Some(given.as_path()) } else { given.parent() };
    folder.unwrap_or(Path::new("")).join(&place.result(campaign).folder)
}

/// A picture of the report, if it is there and is the one that was written.
fn picture(folder: &Path, name: &str) -> Option<Vec<u8>> {
    let digest = Manifest::read(folder).ok()?.files.get(name)?.clone();
    let mut bytes = Vec::new();
    File::open(folder.join(name)).ok()?.take(PICTURE_BYTES_MAX).read_to_end(&mut bytes).ok()?;
    (blake3::hash(&bytes).to_hex().as_str() == digest).then_some(bytes)
}

/// Cuts the piece of the recording, which must be the one that was audited.
fn cut(
    folder: &OutputFolder,
    recording: &Path,
    arguments: &CampaignReportArguments,
    (campaign, place): (&Campaign, Place),
) -> Result<Excerpt> {
    let result = place.result(campaign);
    let digest = digest(recording)?;
    if digest != result.recording_blake3 {
        return Err(Error::new(
            recording.display().to_string(),
            "not the recording that was audited",
            format!("its BLAKE3 is {digest}, wanted is {}", result.recording_blake3),
            "give the recording of this cell, as it was when it was audited",
        ));
    }
    let settings = ReadingSettings { decoder: arguments.decoder.clone(), ..ReadingSettings::default() };
    let stretch = excerpt_stretch(result);
    let mut hasher = blake3::Hasher::new();
    let mut failure = None;
    let written = folder.write_file(EXCERPT_MKV, |file| {
        let mut out = Hashed { file, hasher: &mut hasher };
        cancel::attended(&STOP, |cancel| copy_excerpt(recording, &settings, &stretch, cancel, &mut out))
            .map(|_| ())
            .map_err(|error| {
                failure = Some(error);
                std::io::Error::other("the excerpt")
            })
    });
    match (failure, written) {
        (Some(error), _) | (None, Err(error)) => Err(error),
        (None, Ok(())) => Ok(Excerpt {
            file: EXCERPT_MKV.to_owned(),
            stretch,
            blake3: hasher.finalize().to_hex().to_string(),
        }),
    }
}

/// BLAKE3 of a file.
fn digest(path: &Path) -> Result<String> {
    let mut hasher = blake3::Hasher::new();
    let read = File::open(path).and_then(|file| hasher.update_reader(file).map(|_| ()));
    read.map_err(|error| Error {
        hint: "give the recording of this cell, a file".to_owned(),
        ..write_error(path, "cannot read the recording", &error)
    })?;
    Ok(hasher.finalize().to_hex().to_string())
}

/// Hashes what is written.
struct Hashed<'a> {
    file: &'a mut dyn std::io::Write,
    hasher: &'a mut blake3::Hasher,
}

impl std::io::Write for Hashed<'_> {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        let written = self.file.write(bytes)?;
        self.hasher.update(&bytes[..written]);
        Ok(written)
    }

    fn flush(&mut self) -> std::io::Result<()> {
        self.file.flush()
    }
}
