//! Many recordings in one go: which device plays which clip right, and what changed since last time.
//!
//! A plan names clips, devices and recordings ([`plan`]). Each recording is a unit of work with a folder of its own
//! ([`mod@unit`]), a large one several ([`task`]); units are done in any order, on any machine that sees the files ([`run`]), and collected (`collect`)
//! into one result ([`model`]).

pub mod against;
mod collect;
pub mod json;
pub mod junit;
pub mod known;
pub mod model;
mod parts;
pub mod plan;
pub mod rows;
pub mod run;
pub mod table;
pub mod task;
pub mod unit;
pub mod work;

pub use collect::{cell, collect};

/// Name of the machine-readable result.
pub const CAMPAIGN_JSON: &str = "campaign.json";
/// Name of the table.
pub const CAMPAIGN_CSV: &str = "campaign.csv";
/// Name of the test results for build servers.
pub const CAMPAIGN_JUNIT: &str = "campaign.junit.xml";
/// Name of the folder for what spares work next time; results do not depend on it.
pub const PRIVATE: &str = ".evenbeat";
