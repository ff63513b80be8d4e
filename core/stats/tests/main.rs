//! Tests of embertally-stats against what others published and computed, and against its own laws.

mod coverage;
mod fixtures;
mod laws;
mod models;
mod published;
mod published_comparisons;
mod published_models;
mod published_sampling;
mod published_times;
mod tables;
mod threshold;
mod times_and_grades;
