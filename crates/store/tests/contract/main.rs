//! The contract of the store: every case runs on `SQLite` and on `PostgreSQL`.
//!
//! `PostgreSQL` is looked for at `NOTCHWATCH_TEST_POSTGRES` (default `postgres://postgres@127.0.0.1:5432/test`); each
//! case makes a database of its own there and drops it. Where it is not there, its cases fail and say so.

#![expect(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a case fails by panicking, and its helpers are no test functions that clippy knows"
)]

mod access;
mod bed;
mod damage;
mod decisions;
mod findings;
mod health;
mod lifecycle;
mod log;
mod outage;
mod parts;
mod passed;
mod pooler;
mod quarantine;
mod reader;
mod retention;
mod samples;
mod sealing;
mod spared;
mod timeline;
mod two_findings;
mod unjudged;
mod work_lists;

macro_rules! on_both {
    ($($module:ident :: $case:ident),* $(,)?) => {
        mod sqlite {
            $(#[test]
            fn $case() {
                crate::bed::run(crate::bed::Engine::Sqlite, crate::$module::$case);
            })*
        }

        mod postgres {
            $(#[test]
            fn $case() {
                crate::bed::run(crate::bed::Engine::Postgres, crate::$module::$case);
            })*
        }
    };
}

on_both! {
    access::accounts_sessions_tokens_and_audit_come_back,
    damage::a_counter_that_fell_behind_is_told,
    damage::a_changed_number_is_found,
    damage::a_check_walks_documents_too,
    damage::a_damaged_channel_takes_only_itself,
    damage::a_damaged_block_takes_nothing_else_along,
    damage::a_reader_of_the_journal_gets_past_damage,
    damage::a_table_that_cannot_be_read_leaves_the_others_to_a_check,
    damage::no_place_of_a_block_fails_a_read,
    damage::what_can_be_computed_anew_is,
    decisions::a_decision_is_recorded_with_its_verdict,
    decisions::of_two_that_race_one_wins,
    decisions::other_railways_findings_cannot_be_decided,
    findings::a_commit_is_all_or_nothing,
    findings::events_become_visible_in_order,
    findings::lists_are_filtered_ordered_and_paged,
    findings::only_changes_that_matter_are_told,
    findings::snapshots_and_progress_come_back,
    findings::the_machine_never_touches_the_operator_half,
    findings::units_with_a_history_are_told_from_new_ones,
    health::an_engines_history_goes_with_it,
    health::history_is_kept_when_grades_move,
    lifecycle::a_changed_migration_is_refused,
    lifecycle::a_newer_database_is_refused,
    lifecycle::migrating_again_changes_nothing,
    lifecycle::nothing_is_lost_when_stopped_or_killed,
    lifecycle::the_register_keeps_numbers,
    lifecycle::watchers_are_told,
    log::one_that_somebody_holds_is_told_and_cut_back_when_free,
    outage::a_cut_connection_heals,
    outage::callers_that_go_away_leave_nothing_behind,
    outage::reads_never_starve_work,
    passed::a_damaged_refusal_costs_itself,
    passed::a_damaged_finding_costs_itself_and_stays_as_it_is,
    passed::a_log_is_read_past_what_is_damaged,
    passed::what_is_known_of_a_unit_is_read_past_what_is_damaged,
    passed::what_stands_on_pages_that_cannot_be_read_costs_itself,
    quarantine::a_row_bad_at_the_database_is_set_aside,
    quarantine::age_goes_by_receive_time_whatever_the_order,
    quarantine::refusals_are_kept_by_reason,
    quarantine::texts_are_cut_and_count_among_the_bytes_kept,
    quarantine::what_its_bounds_drop_is_counted_over_a_restart,
    retention::what_cannot_be_dropped_keeps_nothing_else,
    retention::closed_findings_go_with_their_logs,
    retention::grades_audit_and_what_was_not_judged_go_by_age,
    retention::refusals_ticks_and_snapshots_go_by_age,
    retention::snapshots_go_some_units_at_a_time,
    retention::samples_go_but_for_those_that_are_needed,
    samples::a_large_message_and_a_catch_up_fit,
    samples::marks_of_times_taken_from_receipt_outlive_sealing,
    samples::messages_come_back_as_decoded,
    samples::positions_become_visible_in_order,
    samples::repeats_and_contradictions_settle_in_any_order,
    samples::texts_with_control_characters_never_fail_a_batch,
    samples::values_that_are_not_finite_are_never_stored,
    sealing::late_rows_are_sealed_again,
    sealing::a_day_waits_for_its_unit,
    sealing::sealing_ends_while_messages_come,
    sealing::latest_looks_past_what_is_not_yet,
    sealing::messages_across_midnight_are_in_both_days,
    sealing::old_rows_go_only_when_sealed_and_judged,
    sealing::sealed_reads_equal_unsealed_reads,
    sealing::what_a_unit_repeats_all_day_takes_no_room,
    spared::a_damaged_comms_snapshot_counts_as_none,
    spared::a_damaged_snapshot_gives_way_to_the_one_before,
    spared::a_decision_that_cannot_be_read_costs_itself,
    spared::a_list_of_samples_not_judged_costs_itself,
    spared::a_snapshot_on_pages_that_cannot_be_read_gives_way_as_well,
    timeline::a_railway_sees_its_own,
    timeline::a_withdrawal_is_a_step_of_the_log,
    timeline::entries_come_back_once_each,
    timeline::evaluation_reads_what_takes_effect,
    two_findings::a_merge_changes_both_or_nothing,
    two_findings::nothing_a_person_wrote_is_overwritten,
    two_findings::of_two_merges_that_cross_one_wins,
    unjudged::samples_not_judged_come_back_in_the_order_they_were_found,
    work_lists::lists_and_states_agree_with_the_record_and_the_counts,
    work_lists::load_is_counted_from_what_is_stored,
    work_lists::old_rows_are_brought_over,
}

macro_rules! on_sqlite {
    ($($module:ident :: $case:ident),* $(,)?) => {
        mod sqlite_alone {
            $(#[test]
            fn $case() {
                crate::bed::run(crate::bed::Engine::Sqlite, crate::$module::$case);
            })*
        }
    };
}

on_sqlite! {
    reader::another_program_reads_the_same,
    retention::a_file_stops_growing,
}

macro_rules! on_postgres {
    ($($module:ident :: $case:ident),* $(,)?) => {
        mod postgres_alone {
            $(#[test]
            fn $case() {
                crate::bed::run(crate::bed::Engine::Postgres, crate::$module::$case);
            })*
        }
    };
}

on_postgres! {
    lifecycle::a_former_holder_can_write_no_more,
    lifecycle::of_two_processes_one_runs,
    parts::a_bad_row_before_a_missing_part_is_set_aside,
    parts::a_drop_cut_short_is_finished_later,
    parts::a_row_without_a_part_gets_one,
    parts::an_old_database_is_parted_with_everything_in_it,
    parts::no_clock_of_a_sender_makes_a_part,
    parts::old_days_go_whole,
    parts::old_parts_go_whole_while_the_rest_goes_on,
    sealing::a_page_that_cannot_be_read_costs_its_day_alone,
}

macro_rules! behind_a_pooler {
    ($($module:ident :: $case:ident),* $(,)?) => {
        mod postgres_pooled {
            $(#[test]
            fn $case() {
                crate::bed::run_pooled(crate::$module::$case);
            })*
        }
    };
}

behind_a_pooler! {
    access::accounts_sessions_tokens_and_audit_come_back,
    decisions::of_two_that_race_one_wins,
    damage::a_check_walks_documents_too,
    damage::a_damaged_block_takes_nothing_else_along,
    damage::what_can_be_computed_anew_is,
    findings::a_commit_is_all_or_nothing,
    findings::events_become_visible_in_order,
    findings::lists_are_filtered_ordered_and_paged,
    findings::snapshots_and_progress_come_back,
    lifecycle::migrating_again_changes_nothing,
    lifecycle::of_two_processes_one_runs,
    lifecycle::watchers_are_told,
    outage::a_cut_connection_heals,
    outage::callers_that_go_away_leave_nothing_behind,
    parts::a_row_without_a_part_gets_one,
    parts::old_parts_go_whole_while_the_rest_goes_on,
    quarantine::a_row_bad_at_the_database_is_set_aside,
    retention::closed_findings_go_with_their_logs,
    retention::grades_audit_and_what_was_not_judged_go_by_age,
    retention::refusals_ticks_and_snapshots_go_by_age,
    retention::samples_go_but_for_those_that_are_needed,
    samples::a_large_message_and_a_catch_up_fit,
    samples::positions_become_visible_in_order,
    sealing::late_rows_are_sealed_again,
    sealing::a_day_waits_for_its_unit,
    sealing::sealing_ends_while_messages_come,
    sealing::sealed_reads_equal_unsealed_reads,
    sealing::what_a_unit_repeats_all_day_takes_no_room,
}
