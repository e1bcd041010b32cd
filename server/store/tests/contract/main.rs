//! The contract of the storage port, one suite for every implementation.
//!
//! Each case runs on the store in memory, on SQLite and on PostgreSQL. What only databases can show (triggers,
//! damage, several processes) and what only the store in memory can do (faults on demand) has cases of its own.

mod bed;
mod crew;
mod machines;
mod pages;
mod people;
mod pushes;

macro_rules! contract {
    ($($module:ident: $($case:ident),+ $(,)?;)+) => {
        contract! { @on memory: $($module: $($case),+;)+ }
        contract! { @on sqlite: $($module: $($case),+;)+ }
        contract! { @on postgres: $($module: $($case),+;)+ }
    };
    (@on $bed:ident: $($module:ident: $($case:ident),+;)+) => {
        mod $bed {
            $($(
                #[tokio::test]
                async fn $case() {
                    crate::$module::$case(crate::bed::Bed::$bed().await).await;
                }
            )+)+
        }
    };
}

contract! {
    pushes:
        a_push_is_taken_whole_and_held_when_it_comes_again,
        a_gap_says_where_to_go_on_and_writes_nothing,
        a_fork_is_kept_beside_the_ledger_once_and_byte_for_byte,
        what_a_copy_pushed_is_kept_whole_and_once,
        a_revoked_device_s_push_is_kept_and_stands_aside,
        what_breaks_a_rule_is_taken_and_stands_aside,
        a_clock_that_is_off_is_marked,
        the_largest_push_with_as_many_machines_is_taken,
        a_push_under_a_wrong_scope_is_refused;
    pages:
        an_empty_ledger_has_an_empty_page,
        bytes_bound_a_page_and_one_entry_always_comes,
        rows_bound_a_page_and_it_moves_on_though_nothing_matched,
        one_s_own_entries_are_left_out_and_still_count,
        digests_are_those_anyone_computes,
        many_wanted_machines_are_counted_too,
        seals_come_with_their_last_entry,
        links_are_found_by_position,
        beyond_the_end_is_an_empty_page_at_the_end;
    people:
        organisations_are_listed_by_name,
        a_code_lets_one_device_in_and_again,
        a_code_that_is_unknown_or_over_lets_nobody_in,
        a_device_that_shows_a_fresh_code_keeps_its_mark_and_log,
        a_revoked_or_foreign_key_is_refused_and_the_code_stays_good,
        marks_are_unique_in_an_organisation_without_their_case,
        a_device_is_revoked_once_and_by_its_own_organisation,
        a_baton_is_current_before_or_old,
        what_a_device_wants_is_kept,
        the_directory_grows_and_nobody_is_renamed;
    machines:
        machines_come_by_id_page_by_page,
        the_machine_of_zeros_is_a_machine,
        a_machine_s_entries_come_by_position_page_by_page,
        a_view_is_kept_in_place_of_the_one_before,
        no_organisation_sees_or_touches_another_s,
        ledgers_count_for_themselves;
}
