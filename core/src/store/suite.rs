//! The one suite that every store must pass.
//!
//! A store's tests describe how their storage is opened, damaged and made to fail (a [`Fixture`]) and say
//! `store_suite!(make_one)`; each check becomes a test of its own. Where there is no test harness, [`run_all`] runs them
//! one after the other.
//!
//! Not for: what only one store can show (a real full disk, a process killed).

mod contract;
mod damage;
mod dropping;
mod fault;
mod given;
mod injected;

pub use contract::*;
pub use damage::*;
pub use dropping::*;
pub use fault::{Fault, Faults};
pub use injected::*;

use super::{PieceId, Store, StoreError};

/// One fresh storage under test, and the ways to reach below the store.
pub trait Fixture {
    /// The store under test.
    type Store: Store;

    /// Opens the storage; what an earlier store on it has committed is there.
    ///
    /// # Errors
    /// What the store gives when opening fails.
    fn open(&mut self) -> Result<Self::Store, StoreError>;

    /// Flips one bit of a stored piece behind the store's back, counted from the lowest bit of its first byte.
    ///
    /// # Panics
    /// If there is no such bit.
    fn flip_bit(&mut self, piece: PieceId, bit: u64);

    /// Returns the switch that makes operations fail, of all stores this fixture has opened and will open.
    fn faults(&self) -> Faults;
}

/// Runs every check of the suite, each on fresh fixtures.
///
/// # Panics
/// If the store breaks the contract.
pub fn run_all<F: Fixture>(make: &mut dyn FnMut() -> F) {
    crate::store_suite! { @all calls (make) }
}

/// Makes one test of each check of the store suite, for the fixtures that the given function makes.
#[macro_export]
macro_rules! store_suite {
    ($make:expr) => {
        $crate::store_suite! { @all tests ($make) }
    };
    (@tests ($make:expr) $($check:ident)*) => {
        $(
            #[test]
            fn $check() {
                $crate::store::suite::$check(&mut || $make());
            }
        )*
    };
    (@calls ($make:expr) $($check:ident)*) => {
        $($check($make);)*
    };
    (@all $use:ident $make:tt) => {
        $crate::store_suite! {
            @$use $make
            a_document_never_written_is_empty
            what_is_committed_is_read_back_in_order
            what_is_committed_is_there_after_opening_again
            two_open_stores_see_each_others_commits
            lists_are_ordered_by_document_and_count_what_is_there
            the_summary_is_replaced_with_each_write
            a_state_is_certain_only_while_its_writer_knew_every_piece
            news_are_what_anybody_added_since
            empty_and_large_pieces_are_kept_as_they_are
            an_empty_commit_changes_nothing
            compaction_removes_only_what_it_names
            a_piece_appended_while_compacting_survives
            naming_a_piece_that_is_gone_is_no_error
            compaction_leaves_other_documents_alone
            piece_names_are_never_used_again
            kept_values_are_replaced_and_read_back
            dropping_removes_a_document_with_all_that_belongs_to_it
            dropping_what_is_not_there_is_no_error
            every_flipped_bit_is_noticed_and_set_aside
            damage_in_one_document_leaves_the_others_whole
            compaction_does_not_delete_damaged_pieces
            a_failing_commit_keeps_all_or_nothing
            a_failing_read_has_the_right_class_and_harms_nothing
            a_failing_open_has_the_right_class_and_harms_nothing
            damage_is_reported_even_when_setting_it_aside_fails
        }
    };
}
