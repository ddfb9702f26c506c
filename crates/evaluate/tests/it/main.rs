//! Evaluation over a real store: every case runs on `SQLite` and on `PostgreSQL`.

#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a case fails by panicking, and its helpers are no test functions that clippy knows"
)]

mod bench;
mod common_cause;
mod damage;
mod decisions;
mod links;
mod order;
mod reported;

macro_rules! on_both {
    ($($module:ident :: $case:ident),* $(,)?) => {
        mod sqlite {
            $(#[test]
            fn $case() {
                crate::bench::run(crate::bench::Engine::Sqlite, crate::$module::$case);
            })*
        }

        mod postgres {
            $(#[test]
            fn $case() {
                crate::bench::run(crate::bench::Engine::Postgres, crate::$module::$case);
            })*
        }
    };
}

on_both! {
    common_cause::members_that_cannot_be_read_end_nothing,
    common_cause::one_regions_trouble_is_one_finding_whatever_the_way_it_came,
    common_cause::single_faults_stay_single,
    damage::a_unit_with_damaged_snapshots_is_folded_again_to_what_it_was,
    damage::damage_is_told_when_evaluation_meets_it_and_not_once_it_is_gone,
    damage::a_damaged_finding_stays_and_stops_nobody,
    damage::a_damaged_timeline_entry_costs_itself,
    damage::damage_of_links_and_decisions_stops_nobody,
    decisions::merged_and_reopened_findings_are_the_same_after_restarts_kills_and_late_data,
    decisions::a_silent_unit_still_gets_its_finding_split_off_and_what_comes_late_takes_its_place,
    links::stops_and_kills_change_no_comms_finding,
    order::the_step_is_found_once_and_dated,
    order::order_repeats_and_delay_change_nothing,
    order::stops_and_kills_change_nothing,
    order::an_exchanged_sensor_is_no_fault_whenever_it_is_told,
    order::as_built_levels_judge_at_once_whenever_they_are_told,
    order::an_oil_sample_of_a_silent_unit_is_judged_without_a_message,
    order::what_models_say_is_written_whenever_it_is_new,
    order::a_withdrawn_entry_was_never_there,
    order::what_came_beyond_the_horizon_is_left_out_of_every_later_fold,
    reported::one_softwares_trouble_is_one_finding_however_late_units_say_what_they_run,
    reported::a_code_that_the_controller_reports_counts_as_one_on_the_timeline,
}

/// Pages are made unreadable through a view, which `PostgreSQL` alone can be given.
mod postgres_alone {
    #[test]
    fn a_unit_that_cannot_be_loaded_keeps_nobody_waiting() {
        crate::bench::run(
            crate::bench::Engine::Postgres,
            crate::damage::a_unit_that_cannot_be_loaded_keeps_nobody_waiting,
        );
    }
}
