//! Binary only: what was asked, and how it ends.

pub mod about;
pub mod arguments;
pub mod campaign;
mod campaign_pages;
mod campaign_progress;
mod campaign_report;
mod campaign_watch;
pub mod command_line;
pub mod commands;
pub mod compare;
mod demo_campaign;
pub mod exit;
pub mod interrupt;
pub mod join;
pub mod pictures;
pub mod print;
pub mod progress_bar;
pub mod say;
pub mod usage;
