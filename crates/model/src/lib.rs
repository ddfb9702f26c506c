//! The words of the project as types: time, identities, units of measure, the register, operating states,
//! samples, symptoms, findings, decisions and access.
//!
//! Owns the meaning of every term that crosses a crate boundary, and the invariants that belong to a term
//! alone (a unit of measure converts only within its dimension, an alarm state follows from its memories).
//! Refuses I/O, async, a clock, and any other crate of this project.

mod access;
mod alarm;
mod comms;
mod decision;
mod finding;
mod ids;
mod load;
mod message;
mod rationale;
mod record;
mod register;
mod sample;
mod state;
mod symptom;
mod time;
mod timeline;
mod uom;

pub use access::{AccountName, Principal, RailwayFilter, Role};
pub use alarm::{AlarmState, Overlay};
pub use comms::{ClockTick, CommsState, NO_UNIT, OWN_RAILWAY, RefusedOfUnit, Scope, UnitComms};
pub use decision::{Act, Decision, SymptomName};
pub use finding::{
    Earlier, EvidenceWeight, FindingKind, MachinePart, Opening, Outcome, Priority, RECEIPT_ID, RankedFault,
    TimeToLimit, Urgency, WorkList, WorkState,
};
pub use ids::{
    ChannelIx, ChannelName, ClassId, DecisionId, EngineSerial, EventId, FaultId, FindingId, IdError,
    PositionId, RailwayId, Seq, UnitId, UnitKey,
};
pub use load::{Arrival, Position};
pub use message::{Decoded, Envelope, MessageFormat, Reason, Refusal, UomUse};
pub use rationale::{Consequence, Rationale};
pub use record::{Finding, OperatorPart};
pub use register::{
    ChannelDef, ChannelValue, Class, EngineFit, Limit, OperationRule, Problem, Railway, Register,
    ServiceStatus, System, Tie, Unit,
};
pub use sample::{Row, Sample, TextSample};
pub use state::{OperatingState, Regime, StateFilter};
pub use symptom::{Change, Direction, Symptom, SymptomChange, SymptomId, SymptomKind, Untold};
pub use time::{Span, Time, TimeError};
pub use timeline::{
    Activity, AsBuilt, FAULT_CODE_CHANNEL, Fact, FactKind, MAX_AHEAD, MAX_LEVELS, MAX_PARTS, MAX_TEXT_CHARS,
    MAX_WORD_CHARS, NewEntry, OilResult, Origin, Purpose, REACHES_BACK, SOFTWARE_CHANNEL, TextState,
    TimelineEntry, TimelineId, Verdict, Withdrawal, Written, WrittenError, codes, effective,
};
pub use uom::{Dimension, Uom, UomError};
