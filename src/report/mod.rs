//! Report files from an [`crate::audit::Audit`]: nothing here measures.
