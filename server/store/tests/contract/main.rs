//! The contract of the storage port, one suite for every implementation.
//!
//! Each case runs on the store in memory, on SQLite and on PostgreSQL. What only databases can show (triggers,
//! damage, several processes) and what only the store in memory can do (faults on demand) has cases of its own.

#![allow(clippy::panic, reason = "a case fails by panicking, in its steps as in its body")]

mod audit;
mod bed;
mod bills;
mod crew;
mod damage;
mod faults;
mod follow;
mod grants;
mod machines;
mod notices;
mod office;
mod pages;
mod people;
mod pushes;
mod race;
mod tokens;
mod trees;
mod written;

macro_rules! contract {
    ($($module:ident: $($case:ident),+ $(,)?;)+) => {
        contract! { @on memory: $($module: $($case),+;)+ }
        contract! { @on sqlite: $($module: $($case),+;)+ }
        contract! { @on postgres: $($module: $($case),+;)+ }
    };
    (@on $bed:ident: $($module:ident: $($case:ident),+;)+) => {
        contract! { @on $bed as $bed: $($module: $($case),+;)+ }
    };
    (@on $bed:ident as $name:ident: $($module:ident: $($case:ident),+;)+) => {
        mod $name {
            $($(
                #[tokio::test(flavor = "multi_thread", worker_threads = 4)]
                async fn $case() {
                    crate::$module::$case(crate::bed::Bed::$bed().await).await;
                }
            )+)+
        }
    };
}

contract! {
    bills:
        a_draft_reserves_and_a_bill_binds,
        a_dropped_draft_frees_its_matters_and_takes_no_number,
        no_organisation_bills_another_s,
        what_the_office_writes_stands_in_the_ledger_apart_from_crews,
        many_offices_at_once_bill_every_matter_once,
        one_draft_issued_by_many_at_once_has_one_number,
        an_act_of_billing_dropped_anywhere_leaves_nothing_half_done,
        any_order_of_acts_keeps_the_laws;
    notices:
        a_notice_is_written_with_the_issue_where_there_is_a_hook,
        a_taken_notice_is_put_off_until_it_is_answered,
        a_notice_that_is_not_taken_rests_until_someone_asks,
        of_many_at_once_one_takes_each_notice;
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
        what_is_set_aside_and_what_rules_on_it_come_by_position,
        a_view_is_kept_in_place_of_the_one_before,
        no_organisation_sees_or_touches_another_s,
        ledgers_count_for_themselves;
    office:
        codes_are_open_until_used_cancelled_or_over,
        devices_are_listed_by_mark_as_they_stand,
        a_device_is_changed_and_its_marks_stay_its_own,
        one_owner_stays_unless_the_operator_says_otherwise,
        the_last_owner_is_not_let_in_as_less,
        share_links_live_until_ended_or_over_and_are_counted,
        a_key_that_is_vouched_for_goes_on_for_another,
        a_key_that_is_not_vouched_for_is_refused;
    written:
        every_act_is_written_down_with_who_had_it_done,
        an_act_that_cannot_be_written_down_is_not_done,
        every_organisation_and_epoch_has_a_log_of_its_own,
        nothing_written_down_lets_anyone_in;
    tokens:
        keys_come_in_the_order_in_which_they_sign,
        an_assertion_is_new_once_until_it_is_forgotten,
        one_assertion_that_comes_many_times_at_once_is_new_once;
    trees:
        a_tree_holds_what_the_ledger_does_and_proves_it,
        a_machine_s_whole_is_under_the_checkpoint,
        a_new_epoch_signs_under_its_own_key,
        others_sign_a_checkpoint_once_each,
        stamps_say_which_entries_lie_under_them,
        many_at_work_on_one_tree_build_it_once,
        a_step_dropped_anywhere_leaves_nothing_half_done;
    follow:
        followers_miss_nothing_while_eight_push,
        followers_miss_nothing_while_eight_push_apart;
    race:
        one_push_sent_by_many_at_once_is_written_once,
        two_branches_sent_at_once_end_as_ledger_and_branch,
        one_code_shown_by_many_at_once_lets_one_in,
        one_mark_wished_for_by_many_at_once_is_given_once,
        one_device_that_asks_twice_at_once_is_let_in_once,
        an_epoch_raised_by_many_at_once_is_raised_once,
        one_baton_presented_by_many_at_once_is_current_once,
        acts_of_many_at_once_are_all_written_down_in_one_log,
        two_last_owners_who_end_each_other_at_once_leave_one,
        a_share_link_opened_by_many_at_once_is_counted_for_each,
        people_added_by_many_at_once_are_there_once,
        a_push_dropped_anywhere_leaves_nothing_half_done;
}

macro_rules! databases {
    ($($module:ident: $($case:ident),+ $(,)?;)+) => {
        contract! { @on sqlite as sqlite_alone: $($module: $($case),+;)+ }
        contract! { @on postgres as postgres_alone: $($module: $($case),+;)+ }
    };
}

databases! {
    bills:
        issued_bills_refuse_update_and_delete;
    damage:
        the_ledger_s_tables_refuse_update_and_delete,
        a_damaged_entry_is_told_with_its_place,
        a_damaged_device_is_told_with_its_place,
        a_text_with_u0000_is_nowhere_stored,
        a_schema_from_the_future_is_refused_and_left_alone,
        identity_and_ledger_outlive_the_program,
        a_database_of_before_administration_goes_on_under_one_secret;
    trees:
        nothing_is_signed_over_what_was_changed,
        checkpoints_and_stamps_refuse_update_and_delete;
    audit:
        what_only_life_did_to_it_is_sound,
        each_kind_of_damage_is_told_with_its_place,
        what_is_no_ledger_is_told;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn each_page_of_an_sqlite_file_may_be_torn() {
    audit::each_page_of_a_file_may_be_torn(bed::Bed::sqlite().await).await;
}

#[tokio::test]
async fn a_text_with_u0000_is_nowhere_stored_in_memory() {
    damage::a_text_with_u0000_is_nowhere_stored(bed::Bed::memory().await).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn three_open_one_new_sqlite_file_at_once() {
    let (_folder, url) = bed::sqlite_file();
    damage::three_that_open_one_new_database_at_once_all_succeed(&url).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn three_open_one_new_postgres_database_at_once() {
    damage::three_that_open_one_new_database_at_once_all_succeed(&bed::postgres_database().await).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_sequence_in_place_of_the_ledger_s_head_is_caught_on_postgres() {
    follow::a_sequence_in_its_place_is_caught().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_push_that_postgres_ends_in_a_deadlock_is_done_again() {
    race::a_push_that_the_database_ends_is_done_again(bed::Bed::postgres().await).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_follower_on_postgres_never_goes_past_a_push_that_is_under_way() {
    race::a_follower_never_goes_past_a_push_that_is_under_way(bed::Bed::postgres().await).await;
}
