//! `evenbeat compare`: audits in, one comparison out. Only a few audits are in memory at a time, besides the pictures
//! that the others are aligned with.

use std::path::{Path, PathBuf};

use clap::Args;
use evenbeat::audit::Audit;
use evenbeat::audit_store::{self, PICTURES_LOG, REPORT_HTML};
use evenbeat::compare::{self, Base, Basis, ClipName, Device, Frames, Shown};
use evenbeat::error::{Error, Result};
use evenbeat::output::same::{refuse_inputs, Input, Output};
use evenbeat::output::{Existing, OutputFolder};
use evenbeat::pipeline::each_of;
use evenbeat::report::comparison::{self, COMPARE_HTML};

use super::exit::Exit;
use super::say;

/// `compare`.
#[derive(Args, Debug)]
#[command(after_help = EXAMPLES)]
pub struct CompareArguments {
    /// Folders that `evenbeat audit` wrote, the audit.json in them, or report.html alone, wherever it lies.
    #[arg(required = true, num_args = 2.., value_name = "AUDIT")]
    pub audits: Vec<PathBuf>,
    /// Folder for the comparison.
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Write into the folder although it is there.
    #[arg(long)]
    pub force: bool,
    /// No summary.
    #[arg(long, short)]
    pub quiet: bool,
}

const EXAMPLES: &str = "\
Examples:
  evenbeat compare kitchen-audit bedroom-audit --out comparison
  evenbeat compare *-audit --out comparison --force
  evenbeat compare kitchen.html bedroom.html --out comparison";

/// Most audits in memory at a time: one of ten hours takes some gigabytes.
const AUDITS_AT_ONCE: usize = 4;

/// Compares and writes.
pub fn compare(arguments: &CompareArguments) -> Result<Exit> {
    let existing = if arguments.force { Existing::Replace } else { Existing::Keep };
    let inputs: Vec<Input<'_>> =
        arguments.audits.iter().map(|path| Input { what: "an audit", path }).collect();
    refuse_inputs(&[Output { what: "output folder", path: &arguments.out }], &inputs)?;
    let folder = OutputFolder::reserve(&arguments.out, existing)?;
    folder.expect_free(&comparison::FILES)?;
    compare_into(&arguments.audits, folder, arguments.quiet)
}

/// Compares audits and writes the comparison into a folder.
pub fn compare_into(audits: &[PathBuf], folder: OutputFolder, quiet: bool) -> Result<Exit> {
    let (mut devices, rank) = read_all(audits)?;
    let (basis, rate_hz) = match common_clip(&devices, audits)? {
        Some(clip) => {
            let rate_hz = clip.rate.hz();
            (Basis::Clip(clip), rate_hz)
        }
        None => align_all(audits, &mut devices, &rank)?,
    };
    let incomplete: Vec<String> =
        devices.iter().filter(|device| !device.complete).map(|device| device.name.clone()).collect();
    let compared = compare::compare(devices, basis, rate_hz);
    let page = folder.path().join(COMPARE_HTML);
    comparison::write_all(&compared, folder)?;
    if quiet {
        for name in &incomplete {
            say::tell(&format!("{name}: not whole: its audit is marked incomplete"));
            say::hint("compare audits of whole recordings");
        }
    } else {
        say::answer(&format!("{}comparison: {}\n", comparison::terminal(&compared), page.display()));
    }
    Ok(if incomplete.is_empty() { Exit::Clean } else { Exit::NotWhole })
}

/// Number of new pictures of an audit with its small pictures; `None` without.
type Rank = Vec<Option<usize>>;

fn read_all(paths: &[PathBuf]) -> Result<(Vec<Device>, Rank)> {
    let named: Vec<(&PathBuf, String)> = paths.iter().zip(names(paths)).collect();
    let device = |(path, name): &(&PathBuf, String)| {
        let audit = read(path)?;
        Ok((Device::new(name, &audit), compare::own_pictures(&audit)))
    };
    let read: Result<Vec<_>> = each_of(&named, AUDITS_AT_ONCE, device).into_iter().collect();
    let (mut devices, rank): (Vec<Device>, Rank) = read?.into_iter().unzip();
    call_as_told(&mut devices);
    Ok((devices, rank))
}

/// Calls devices as the person did, where that tells them apart.
fn call_as_told(devices: &mut [Device]) {
    let told: Vec<Option<String>> = devices.iter().map(|device| device.told.name.clone()).collect();
    for (device, name) in devices.iter_mut().zip(&told) {
        if let Some(own) = name.as_ref().filter(|_| told.iter().filter(|other| *other == name).count() == 1) {
            device.name.clone_from(own);
        }
    }
}

fn read(path: &Path) -> Result<Audit> {
    audit_store::read(path).map(|(audit, _)| audit)
}

/// What an audit is called by: the folder it lies in, or a page that has a name of its own.
pub fn audit_name(path: &Path) -> String {
    named_by(path).file_name().map_or_else(|| "audit".into(), |name| name.to_string_lossy().into_owned())
}

/// The path whose last part names an audit.
fn named_by(path: &Path) -> PathBuf {
    let is_renamed_page = |path: &Path| {
        let is_page = path.extension().is_some_and(|kind| kind.eq_ignore_ascii_case("html"));
        is_page && path.file_name().is_some_and(|name| name != REPORT_HTML)
    };
    let file = path.canonicalize().unwrap_or_else(|_| path.to_owned());
    if path.is_dir() {
        file
    } else if is_renamed_page(path) {
        file.with_extension("")
    } else {
        file.parent().map(Path::to_owned).unwrap_or_default()
    }
}

/// Names of the audits, with what stands before where two are alike.
fn names(paths: &[PathBuf]) -> Vec<String> {
    let named: Vec<PathBuf> = paths.iter().map(|path| named_by(path)).collect();
    let short: Vec<String> = paths
        .iter()
        .map(|path| audit_name(path))
        .map(|name| name.strip_suffix("-audit").map(str::to_owned).unwrap_or(name))
        .collect();
    named
        .iter()
        .zip(&short)
        .map(|(path, own)| match path.parent().and_then(Path::file_name) {
            Some(above) if short.iter().filter(|other| *other == own).count() > 1 => {
                format!("{}/{own}", above.to_string_lossy())
            }
            _ => own.clone(),
        })
        .collect()
}

fn common_clip(devices: &[Device], paths: &[PathBuf]) -> Result<Option<ClipName>> {
    compare::common_clip(devices).map_err(|different| refused(&paths[different.device], different.evidence))
}

fn refused(path: &Path, evidence: String) -> Error {
    Error::new(
        path.display().to_string(),
        "shows another clip than the audits before it",
        evidence,
        "compare audits of recordings of one clip",
    )
}

/// Aligns every capture with the one that has most new pictures.
fn align_all(paths: &[PathBuf], devices: &mut [Device], rank: &Rank) -> Result<(Basis, f64)> {
    if let Some(place) = rank.iter().position(Option::is_none) {
        let name = &devices[place].name;
        let why = if paths[place].is_file() {
            format!("what was given of {name} is without {PICTURES_LOG}; the folder that was written has it")
        } else {
            format!("{name} was audited without {PICTURES_LOG}")
        };
        return Ok((Basis::None(why), 0.0));
    }
    let most = (0..rank.len()).rev().max_by_key(|&place| rank[place]).unwrap_or(0);
    let Some(base) = Frames::of(&read(&paths[most])?).map(|frames| Base::new(most, &frames)) else {
        return Ok((Basis::None(format!("{} shows no picture", devices[most].name)), 0.0));
    };
    let shown = |path: &PathBuf| match Frames::of(&read(path)?) {
        None => Ok(None),
        Some(frames) => base.shown_by(&frames).map(Some).map_err(|evidence| {
            let against = &devices[most].name;
            refused(path, format!("aligned with {against}, {evidence}"))
        }),
    };
    let others: Vec<usize> = (0..paths.len()).filter(|&place| place != most).collect();
    let shown: Result<Vec<Option<Shown>>> =
        each_of(&others, AUDITS_AT_ONCE, |&place| shown(&paths[place])).into_iter().collect();
    for (place, shown) in others.into_iter().zip(shown?) {
        shown.into_iter().for_each(|shown| devices[place].show(shown));
    }
    devices[most].show(base.all_shown());
    Ok((Basis::Captures(devices[most].name.clone()), base.rate_hz()))
}
