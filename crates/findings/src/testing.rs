//! Makings for the tests of this crate: a small class with the channels of a locomotive engine, symptoms on them.

use notchwatch_model::{
    ChannelDef, ChannelName, Class, ClassId, Direction, Limit, OperationRule, Priority, RailwayId,
    ServiceStatus, StateFilter, Symptom, SymptomKind, System, Time, Unit, UnitId, Uom,
};

pub(crate) fn time(text: &str) -> Time {
    text.parse().unwrap()
}

pub(crate) fn channel(name: &str, label: &str, system: System, uom: &str) -> ChannelDef {
    ChannelDef {
        label: label.to_owned(),
        uom: Uom::parse(uom).unwrap(),
        ..ChannelDef::new(ChannelName::new(name).unwrap(), system)
    }
}

pub(crate) fn class() -> Class {
    let mut channels = vec![
        channel("oil_pressure", "oil pressure", System::Lubrication, "Pa"),
        channel("oil_temp", "oil temperature", System::Lubrication, "Cel"),
        channel("oil_filter_differential", "oil filter differential", System::Lubrication, "Pa"),
        channel("coolant_temp", "coolant temperature", System::Cooling, "Cel"),
        channel("coolant_pressure", "coolant pressure", System::Cooling, "Pa"),
        channel("radiator_fan_current", "", System::Cooling, "A"),
        channel("crankcase_pressure", "crankcase pressure", System::Crankcase, "Pa"),
        channel("manifold_air_pressure", "boost pressure", System::Air, "Pa"),
        channel("manifold_air_temp", "", System::Air, "Cel"),
        channel("turbo_speed", "turbocharger speed", System::Air, "1/min"),
        channel("turbine_inlet_temp", "", System::Air, "Cel"),
        channel("fuel_pressure", "", System::Fuel, "Pa"),
        channel("fuel_filter_differential", "", System::Fuel, "Pa"),
        channel("gross_power", "", System::Operation, "kW"),
        channel("engine_hours", "", System::Operation, "h"),
        channel("battery_voltage", "", System::Electrical, "V"),
    ];
    for i in 1..=12 {
        let name = format!("cyl_exhaust_temp_{i:02}");
        let mut cylinder = channel(&name, &format!("exhaust temperature {i}"), System::Cylinders, "Cel");
        cylinder.sisters = Some("cylinders".to_owned());
        channels.push(cylinder);
    }
    for i in 1..=6 {
        channels.push(channel(&format!("tm_current_{i}"), "", System::Traction, "A"));
    }
    for (name, range) in [
        ("oil_pressure", (-20e3, 1.2e6)),
        ("oil_filter_differential", (-10e3, 400e3)),
        ("coolant_temp", (-50.0, 140.0)),
        ("fuel_pressure", (-20e3, 1e6)),
        ("cyl_exhaust_temp_05", (-50.0, 900.0)),
    ] {
        for channel in channels.iter_mut().filter(|c| c.name.as_str() == name) {
            channel.range = Some(range);
        }
    }
    if let Some(coolant) = channels.iter_mut().find(|c| c.name.as_str() == "coolant_temp") {
        coolant.limits.push(Limit {
            name: "hot".to_owned(),
            high: true,
            at: 102.0,
            deadband: 1.0,
            on_delay_s: 60,
            off_delay_s: 60,
            states: StateFilter::default(),
            priority: Priority::High,
        });
    }
    Class {
        id: ClassId::new("demo-12").unwrap(),
        name: "Demo".to_owned(),
        operation: OperationRule::default(),
        channels,
    }
}

pub(crate) fn unit() -> Unit {
    Unit {
        railway: RailwayId::new("northmoor").unwrap(),
        id: UnitId::new("4021").unwrap(),
        class: ClassId::new("demo-12").unwrap(),
        region: String::new(),
        zone: None,
        status: ServiceStatus::InService,
        engines: vec![],
        fitted: vec![],
    }
}

pub(crate) fn symptom(channel: &str, kind: SymptomKind, size: f64, at: &str) -> Symptom {
    let class = class();
    let uom = class.channel_ix(channel).and_then(|ix| class.channel(ix)).map(|c| c.uom).unwrap_or_default();
    Symptom {
        channel: ChannelName::new(channel).unwrap(),
        kind,
        direction: Direction::of(size),
        size,
        uom,
        spreads: size.signum() * 6.0,
        onset: time(at),
        detected: time(at),
        probability: 0.99,
        states: vec![],
        model: "test".to_owned(),
        numbers: std::collections::BTreeMap::new(),
    }
}
