//! Styles and scripts that stand inside pages. A content security policy names each by the SHA-256 of its text (W3C CSP 3,
//! section 2.3.1). The texts never change while the program runs, so that `build.rs` takes the hashes.

/// A style or a script, and how a policy names it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Inline {
    /// What stands between the tags.
    pub text: &'static str,
    /// Its source expression: `sha256-` and the hash in base64.
    pub source: &'static str,
}

/// Code that may hold `<` and `&`, marked as character data so that the page is well-formed XML too. The marks are
/// comments of the script.
macro_rules! character_data {
    ($file:literal) => {
        concat!("//<![CDATA[\n", include_str!($file), "//]]>\n")
    };
}

/// Style of reports: light and dark by what the reader's system asks for, and print.
pub(super) const REPORT_STYLE: Inline =
    Inline { text: include_str!("html/report.css"), source: env!("EVENBEAT_REPORT_STYLE") };

/// Behaviour of reports.
pub(super) const REPORT_SCRIPT: Inline =
    Inline { text: character_data!("html/report.js"), source: env!("EVENBEAT_REPORT_SCRIPT") };

/// Style of comparisons: that of reports, and what comparisons add to it.
pub(super) const COMPARISON_STYLE: Inline = Inline {
    text: concat!(include_str!("html/report.css"), include_str!("html/compare.css")),
    source: env!("EVENBEAT_COMPARISON_STYLE"),
};

/// Style of all pages of a campaign.
pub(super) const CAMPAIGN_STYLE: Inline =
    Inline { text: include_str!("campaign/campaign.css"), source: env!("EVENBEAT_CAMPAIGN_STYLE") };

/// Behaviour of a campaign's index: aspects, order, arrow keys.
pub(super) const CAMPAIGN_SCRIPT: Inline =
    Inline { text: character_data!("campaign/campaign.js"), source: env!("EVENBEAT_CAMPAIGN_SCRIPT") };

#[cfg(test)]
mod tests {
    use base64::engine::general_purpose::STANDARD;
    use base64::Engine;
    use sha2::{Digest, Sha256};

    use super::*;

    /// What the build hashed is what the pages hold: a browser would leave out any other text.
    #[test]
    fn every_policy_names_the_text_it_allows() {
        for inline in [REPORT_STYLE, REPORT_SCRIPT, COMPARISON_STYLE, CAMPAIGN_STYLE, CAMPAIGN_SCRIPT] {
            let hash = STANDARD.encode(Sha256::digest(inline.text));
            assert_eq!(inline.source, format!("sha256-{hash}"), "{:.80}", inline.text);
        }
    }
}
