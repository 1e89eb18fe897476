//! All units of a plan as one result.

use std::collections::{BTreeMap, HashMap};
use std::path::Path;

use super::known::Known;
use super::model::{
    Aspect, AspectRow, Campaign, Cell, Clip, Device, Run, RunResult, Spread, Standing, State, FORMAT,
    FORMAT_VERSION,
};
use super::plan::{Plan, PlannedClip, PlannedDevice, Unit};
use super::unit::{self, Failure, Found, Inputs};
use crate::error::Error;
use crate::settings::PathNames;
use crate::units::hz_text;

/// Way out where a unit has no result yet.
const RUN_AGAIN: &str = "run the campaign again";

/// The results in the campaign's folder `out`. `failures` are those of the run that has just ended, by the unit's number:
/// what made it impossible to write a folder is in none.
pub fn collect(plan: &Plan, out: &Path, known: &Known, failures: &BTreeMap<u32, Error>) -> Campaign {
    let mut runs: HashMap<(usize, usize), Vec<Run>> = HashMap::new();
    for unit in &plan.units {
        let run = run(unit, out, known, failures.get(&unit.number));
        runs.entry((unit.device, unit.clip)).or_default().push(run);
    }
    let pairs =
        (0..plan.devices.len()).flat_map(|device| (0..plan.clips.len()).map(move |clip| (device, clip)));
    let cells = pairs
        .map(|(device, clip)| {
            let runs = runs.remove(&(device, clip)).unwrap_or_default();
            cell(&plan.devices[device].id, &plan.clips[clip].id, runs)
        })
        .collect();
    Campaign {
        format: FORMAT.to_owned(),
        format_version: FORMAT_VERSION,
        title: plan.title.clone(),
        tool_version: env!("CARGO_PKG_VERSION").to_owned(),
        clips: plan.clips.iter().map(|clip| clip_row(clip, known)).collect(),
        devices: plan.devices.iter().map(device_row).collect(),
        cells,
        against: None,
    }
}

fn clip_row(clip: &PlannedClip, known: &Known) -> Clip {
    Clip {
        id: clip.id.clone(),
        name: clip.name.clone(),
        file: clip.file.as_deref().map(|file| PathNames::Last.of(file)),
        blake3: clip.file.as_deref().and_then(|file| known.digest(file).ok()),
        rate: clip.rate.map(|rate| hz_text(rate.hz())),
        scan: clip.scan.map(|scan| scan.name().to_owned()),
        requirements: clip.require.iter().map(ToString::to_string).collect(),
    }
}

fn device_row(device: &PlannedDevice) -> Device {
    Device {
        id: device.id.clone(),
        name: device.name.clone(),
        firmware: device.firmware.clone(),
        settings: device.settings.clone(),
        recorder: device.recorder.clone(),
    }
}

fn run(unit: &Unit, out: &Path, known: &Known, failure: Option<&Error>) -> Run {
    let missing = |failure: Failure, state| Run {
        unit: unit.number,
        run: unit.run,
        recording: PathNames::Last.of(&unit.recording),
        state,
        error: Some(failure.error),
        hint: Some(failure.hint),
        result: None,
    };
    let found = Inputs::of(unit, known).map(|inputs| unit::found(unit, out, &inputs, known));
    match (found, failure) {
        (Ok(Found::Done(result)), _) => Run {
            unit: unit.number,
            run: unit.run,
            recording: PathNames::Last.of(&unit.recording),
            state: State::Done,
            error: None,
            hint: None,
            result: Some(*result),
        },
        (Ok(Found::Failed(failure)), _) => missing(failure, State::Failed),
        (_, Some(error)) => missing(Failure::from(error), State::Failed),
        (Err(error), None) => missing(Failure::from(&error), State::Failed),
        (Ok(Found::Missing(why)), None) => {
            missing(Failure { error: why.to_owned(), hint: RUN_AGAIN.to_owned() }, State::Missing)
        }
    }
}

/// A cell from its runs.
pub fn cell(device: &str, clip: &str, runs: Vec<Run>) -> Cell {
    let standing_of = |run: &Run| run.result.as_ref().map_or(Standing::NotWhole, |result| result.standing);
    let worst = runs.iter().enumerate().min_by_key(|(place, run)| (standing_of(run).rank(), *place));
    let (shown_run, standing) =
        worst.map_or((None, Standing::NotTested), |(place, run)| (Some(place), standing_of(run)));
    let results: Vec<&RunResult> = runs.iter().filter_map(|run| run.result.as_ref()).collect();
    Cell {
        device: device.to_owned(),
        clip: clip.to_owned(),
        standing,
        shown_run,
        aspects: aspects(&results),
        wrong_runs: count(&results, |result| result.standing == Standing::Wrong),
        audited_runs: count(&results, |_| true),
        spread: spread(&results),
        change: None,
        runs,
    }
}

fn count(results: &[&RunResult], is_counted: impl Fn(&RunResult) -> bool) -> u32 {
    results.iter().filter(|result| is_counted(result)).count() as u32
}

/// Each aspect as in the run where it is worst; where it is not wrong in all, how often it is.
fn aspects(results: &[&RunResult]) -> Vec<AspectRow> {
    if results.is_empty() {
        return Vec::new();
    }
    let row = |aspect: Aspect| {
        let rows =
            || results.iter().filter_map(|result| result.aspects.iter().find(|row| row.aspect == aspect));
        let mut worst = rows().min_by_key(|row| row.standing.rank())?.clone();
        let wrong = rows().filter(|row| row.standing == Standing::Wrong).count();
        if wrong > 0 && results.len() > 1 {
            worst.text = format!("Wrong in {wrong} of {} runs. {}", results.len(), worst.text);
        }
        Some(worst)
    };
    Aspect::ALL.into_iter().filter_map(row).collect()
}

fn spread(results: &[&RunResult]) -> Vec<Spread> {
    let Some(first) = results.first() else { return Vec::new() };
    let of = |key: &String| {
        let values = results.iter().filter_map(|result| {
            result.measures.iter().find(|measure| measure.key == *key).and_then(|measure| measure.value)
        });
        let values: Vec<f64> = values.collect();
        (values.len() > 1).then(|| Spread {
            key: key.clone(),
            smallest: values.iter().copied().fold(f64::INFINITY, f64::min),
            largest: values.iter().copied().fold(f64::NEG_INFINITY, f64::max),
            runs: values.len() as u32,
        })
    };
    first.measures.iter().filter_map(|measure| of(&measure.key)).collect()
}
