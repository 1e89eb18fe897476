//! Many recordings in one go: which device plays which clip right, and what changed since last time.

pub mod json;
pub mod model;

/// Name of the machine-readable result.
pub const CAMPAIGN_JSON: &str = "campaign.json";
/// Name of the table.
pub const CAMPAIGN_CSV: &str = "campaign.csv";
