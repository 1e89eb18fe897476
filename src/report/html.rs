//! x
use super::Provenance;
use crate::audit::Audit;
/// x
pub fn page(_audit: &Audit, _p: &Provenance, _chart: &str) -> String {
    String::new()
}
