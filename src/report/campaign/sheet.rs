//! A campaign as the pages ask it: lines of devices and of clips, cells seen in one aspect or in all, and counts.

use crate::campaign::model::{Aspect, Campaign, Cell, Standing, Way};

/// In which respect cells are looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum View {
    /// Everything together.
    Everything,
    /// One aspect.
    Of(Aspect),
}

impl View {
    /// All, in the order they are offered.
    pub fn all() -> impl Iterator<Item = Self> {
        std::iter::once(Self::Everything).chain(Aspect::ALL.map(Self::Of))
    }

    /// Name in pages.
    pub fn name(self) -> &'static str {
        match self {
            Self::Everything => "everything",
            Self::Of(aspect) => aspect.name(),
        }
    }
}

/// What a cell says in one view.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Look<'a> {
    /// How it came out.
    pub standing: Standing,
    /// The number that matters most, with its unit; may be empty.
    pub number: &'a str,
    /// What was wanted, with its unit; may be empty.
    pub limit: &'a str,
    /// Why, one sentence; may be empty.
    pub text: &'a str,
}

/// Looks at a cell.
pub(super) fn look(cell: &Cell, view: View) -> Look<'_> {
    match view {
        View::Everything => {
            let result = cell.result();
            let number = result.and_then(|result| result.number.as_deref()).unwrap_or_default();
            let text = result.map_or_else(|| why_not(cell), |result| result.headline.as_str());
            Look { standing: cell.standing, number, limit: "", text }
        }
        View::Of(aspect) => match cell.aspects.iter().find(|row| row.aspect == aspect) {
            Some(row) => Look {
                standing: row.standing,
                number: row.number.as_deref().unwrap_or_default(),
                limit: row.limit.as_deref().unwrap_or_default(),
                text: &row.text,
            },
            None => Look { standing: unjudged(cell), number: "", limit: "", text: why_not(cell) },
        },
    }
}

/// What each aspect comes to where nothing was audited.
fn unjudged(cell: &Cell) -> Standing {
    if cell.standing == Standing::NotWhole {
        Standing::NotWhole
    } else {
        Standing::NotTested
    }
}

/// Why there is no result.
fn why_not(cell: &Cell) -> &str {
    match cell.shown() {
        Some(run) => run.error.as_deref().unwrap_or("Not audited yet."),
        None => "Not recorded.",
    }
}

/// `fails in 2 of 5 runs`, where there are several.
pub(super) fn runs_text(cell: &Cell) -> Option<String> {
    match (cell.runs.len(), cell.wrong_runs, cell.audited_runs) {
        (0 | 1, _, _) => None,
        (runs, 0, _) => Some(format!("{runs} runs")),
        (_, wrong, audited) => Some(format!("fails in {wrong} of {audited} runs")),
    }
}

/// Along which lines a page or a count goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Axis {
    /// A line is a device.
    Devices,
    /// A line is a clip.
    Clips,
}

impl Axis {
    /// The other one.
    pub fn across(self) -> Self {
        match self {
            Self::Devices => Self::Clips,
            Self::Clips => Self::Devices,
        }
    }

    /// `device`, `clip`.
    pub fn noun(self) -> &'static str {
        match self {
            Self::Devices => "device",
            Self::Clips => "clip",
        }
    }

    /// `1 device`, `3 devices`.
    pub fn counted(self, count: usize) -> String {
        counted(count, self.noun())
    }

    /// Folder of the pages of these lines.
    pub fn folder(self) -> &'static str {
        match self {
            Self::Devices => "devices",
            Self::Clips => "clips",
        }
    }
}

/// `1 clip`, `3 clips`.
pub(super) fn counted(count: usize, noun: &str) -> String {
    format!("{count} {noun}{}", if count == 1 { "" } else { "s" })
}

/// How many cells came out how.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Tally([usize; Standing::ALL.len()]);

impl Tally {
    /// Counts.
    pub fn of(standings: impl Iterator<Item = Standing>) -> Self {
        let mut tally = Self::default();
        for standing in standings {
            tally.0[standing.rank()] += 1;
        }
        tally
    }

    /// Cells that came out so.
    pub fn count(self, standing: Standing) -> usize {
        self.0[standing.rank()]
    }

    /// All cells.
    pub fn all(self) -> usize {
        self.0.iter().sum()
    }

    /// Cells of which something was recorded and tested.
    pub fn tested(self) -> usize {
        self.all() - self.count(Standing::NotTested)
    }

    /// Whether there is something tested, and all of that is wrong.
    pub fn is_always_wrong(self) -> bool {
        self.count(Standing::Wrong) > 0 && self.count(Standing::Wrong) == self.tested()
    }
}

/// A campaign with names for its pages.
pub(super) struct Sheet<'a> {
    pub campaign: &'a Campaign,
    device_pages: Vec<String>,
    clip_pages: Vec<String>,
}

impl<'a> Sheet<'a> {
    pub fn of(campaign: &'a Campaign) -> Self {
        Self {
            campaign,
            device_pages: file_names(campaign.devices.iter().map(|device| device.id.as_str())),
            clip_pages: file_names(campaign.clips.iter().map(|clip| clip.id.as_str())),
        }
    }

    /// Lines along an axis.
    pub fn len(&self, axis: Axis) -> usize {
        match axis {
            Axis::Devices => self.campaign.devices.len(),
            Axis::Clips => self.campaign.clips.len(),
        }
    }

    /// A line's name for people.
    pub fn name(&self, axis: Axis, line: usize) -> &'a str {
        match axis {
            Axis::Devices => &self.campaign.devices[line].name,
            Axis::Clips => &self.campaign.clips[line].name,
        }
    }

    /// A line's files, relative to the index, without what tells their kinds apart.
    pub fn stem(&self, axis: Axis, line: usize) -> String {
        let name = match axis {
            Axis::Devices => &self.device_pages[line],
            Axis::Clips => &self.clip_pages[line],
        };
        format!("{}/{name}", axis.folder())
    }

    /// A line's cells, in the order of the other axis.
    pub fn cells(&self, axis: Axis, line: usize) -> impl Iterator<Item = &'a Cell> + use<'a> {
        let campaign = self.campaign;
        let clips = campaign.clips.len();
        let others = self.len(axis.across());
        (0..others).map(move |other| match axis {
            Axis::Devices => &campaign.cells[line * clips + other],
            Axis::Clips => &campaign.cells[other * clips + line],
        })
    }

    /// How a line came out in one view.
    pub fn tally(&self, axis: Axis, line: usize, view: View) -> Tally {
        Tally::of(self.cells(axis, line).map(|cell| look(cell, view).standing))
    }

    /// All lines of an axis, counted in one view.
    pub fn tallies(&self, axis: Axis, view: View) -> Vec<Tally> {
        (0..self.len(axis)).map(|line| self.tally(axis, line, view)).collect()
    }

    /// Cells that went one way since the earlier campaign.
    pub fn changed(&self, way: Way) -> usize {
        self.campaign
            .cells
            .iter()
            .filter(|cell| cell.change.as_ref().is_some_and(|one| one.way == way))
            .count()
    }

    /// Cells with a recording.
    pub fn recordings(&self) -> usize {
        self.campaign.cells.iter().map(|cell| cell.runs.len()).sum()
    }
}

/// Longest part of a name that becomes one of a file.
const FILE_NAME_MAX: usize = 60;
/// What some systems take for devices, whatever follows the full stop.
const RESERVED: [&str; 4] = ["con", "prn", "aux", "nul"];

/// Names of files: of small letters, digits and `-`, each once.
fn file_names<'a>(ids: impl Iterator<Item = &'a str>) -> Vec<String> {
    let mut taken = std::collections::BTreeSet::new();
    ids.map(|id| {
        let plain = file_name(id);
        let mut name = plain.clone();
        let mut count = 1;
        while !taken.insert(name.clone()) {
            count += 1;
            name = format!("{plain}-{count}");
        }
        name
    })
    .collect()
}

/// A name as that of a file.
pub(super) fn file_name(id: &str) -> String {
    let mut name = String::new();
    for letter in id.chars().take(FILE_NAME_MAX) {
        if letter.is_ascii_alphanumeric() {
            name.push(letter.to_ascii_lowercase());
        } else if !name.ends_with('-') && !name.is_empty() {
            name.push('-');
        }
    }
    let name = name.trim_end_matches('-');
    let is_port = name.len() == 4
        && (name.starts_with("com") || name.starts_with("lpt"))
        && name.ends_with(|last: char| last.is_ascii_digit());
    match name {
        "" => "unnamed".to_owned(),
        name if is_port || RESERVED.contains(&name) => format!("{name}-x"),
        name => name.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_files_are_plain_and_each_is_there_once() {
        for (ids, expected) in [
            (
                &["Lantern Box", "lantern-box", "LANTERN BOX"][..],
                &["lantern-box", "lantern-box-2", "lantern-box-3"][..],
            ),
            (&["../../etc", "", "漢", "a/b\\c"], &["etc", "unnamed", "unnamed-2", "a-b-c"]),
            (&["CON", "com1", "common"], &["con-x", "com1-x", "common"]),
            (&["<script>", "x\u{202e}y"], &["script", "x-y"]),
        ] {
            assert_eq!(file_names(ids.iter().copied()), expected);
        }
    }

    #[test]
    fn several_runs_are_counted() {
        let campaign = super::super::testing::campaign(&["w"]);
        let mut cell = campaign.cells[0].clone();
        for (runs, wrong, expected) in
            [(1, 1, None), (2, 0, Some("2 runs")), (5, 2, Some("fails in 2 of 5 runs"))]
        {
            cell.runs = vec![campaign.cells[0].runs[0].clone(); runs];
            (cell.wrong_runs, cell.audited_runs) = (wrong, runs as u32);
            assert_eq!(runs_text(&cell).as_deref(), expected);
        }
    }
}
