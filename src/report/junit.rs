//! JUnit XML for build servers: one test case per requirement.
//!
//! There is no formal standard. What is required of attributes, times and the order of children follows the
//! widely used XML schema of Windy Road Technology (2011) for the form that Ant writes.

use std::fmt::Write;

use crate::audit::Audit;
use crate::audit_store::Provenance;
use crate::escape::markup;
use crate::verdict::gate::Outcome;

/// Class name of every test case.
const CLASS: &str = "evenbeat.requirements";
/// Host name where none is asked for: the result must not depend on the machine.
const HOST: &str = "localhost";
/// Seconds that judging took. It takes none worth telling, and a measured value would change the bytes.
const DURATION_S: &str = "0";

/// The document. A capture that was not read whole adds a test case in error, so that no build passes on a part.
pub fn document(audit: &Audit, provenance: &Provenance) -> String {
    let outcomes = &audit.requirements;
    let failures = outcomes.iter().filter(|outcome| !outcome.passed).count();
    let errors = usize::from(!audit.complete);
    let mut xml = String::from("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n");
    let _ = writeln!(
        xml,
        "<testsuite name=\"{}\" timestamp=\"{}\" hostname=\"{HOST}\" tests=\"{}\" failures=\"{failures}\" \
         errors=\"{errors}\" time=\"{DURATION_S}\">",
        markup(&audit.facts.name),
        provenance.audited_at.naive_utc().format("%Y-%m-%dT%H:%M:%S"),
        outcomes.len() + errors,
    );
    let _ = writeln!(
        xml,
        "<properties>\n<property name=\"evenbeat\" value=\"{}\"/>\n</properties>",
        markup(&provenance.tool_version)
    );
    if !audit.complete {
        let _ = writeln!(
            xml,
            "<testcase name=\"capture is whole\" classname=\"{CLASS}\" time=\"{DURATION_S}\">\n\
             <error type=\"incomplete\" message=\"not every frame could be read\"/>\n</testcase>"
        );
    }
    for outcome in outcomes {
        push_case(&mut xml, outcome);
    }
    let _ = writeln!(
        xml,
        "<system-out>{}</system-out>\n<system-err></system-err>\n</testsuite>",
        markup(&audit.verdict)
    );
    xml
}

fn push_case(xml: &mut String, outcome: &Outcome) {
    let name = markup(&outcome.requirement.to_string());
    let _ = write!(xml, "<testcase name=\"{name}\" classname=\"{CLASS}\" time=\"{DURATION_S}\"");
    if outcome.passed {
        xml.push_str("/>\n");
        return;
    }
    let kind = if outcome.found.is_some() { "not-met" } else { "not-known" };
    let _ = writeln!(
        xml,
        ">\n<failure type=\"{kind}\" message=\"{}\"/>\n</testcase>",
        markup(&outcome.found_text())
    );
}
