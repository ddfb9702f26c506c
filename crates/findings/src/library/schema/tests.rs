//! What a library file must hold, and what the built-in one does.

use super::*;

const GOOD: &str = r#"
    system = "cooling"
    [[faults]]
    id = "a-fault"
    ref = "C9"
    name = "A fault"
    rarity = "rare"
    course = "slow"
    urgency = "next inspection"
    cause = "c"
    consequence = "major"
    otherwise = "o"
    response = "r"
    hours = 2.0
    source = "common practice"
    status = "invented for a test"
    shows = [{ channel = "coolant_temp", expects = "up", often = "always" }]
    evidence = [{ oil = "iron", is = "high", often = "usually" }]
    for = ["x"]
    against = ["y"]
    apart = []
    checks = [{ act = "look", stop = "seen" }]
    parts = []
    skills = ["fitter"]
    cautions = []
"#;

fn load(text: &str) -> Result<Library, LibraryError> {
    parse([("test.toml", text)])
}

#[test]
fn a_sound_file_loads() {
    let library = load(GOOD).unwrap();
    let fault = &library.faults()[0];
    assert_eq!((fault.system, fault.urgency), (Some(System::Cooling), Urgency::NextInspection));
    assert_eq!(library.fault(&fault.id), Some(fault));
}

#[test]
fn each_error_names_the_path_and_what_would_be_right() {
    for (from, to, path, what) in [
        ("\"cooling\"", "\"colling\"", "test.toml: system", "sensors, operation"),
        ("a-fault", "A-Fault", "faults.A-Fault.id", "lower-case words"),
        ("\"C9\"", "\"9C\"", "faults.a-fault.ref", "such as L1"),
        ("next inspection", "soon", "faults.a-fault.urgency", "now, before departure"),
        ("\"up\"", "\"up\", kinds = [\"stuck\"]", "shows[0]", "not both"),
        ("\"up\"", "\"upward\"", "test.toml", "unknown variant `upward`"),
        ("\"up\"", "\"same\", profile = \"grows\"", "shows[0].profile", "level that moves"),
        ("coolant_temp", "*_temp*", "shows[0].channel", "at most one *"),
        ("coolant_temp", "*_temp", "shows[0].share", "one or most"),
        ("\"always\"", "\"always\", share = \"one\"", "shows[0].share", "no share"),
        ("for = [\"x\"]", "for = []", "faults.a-fault.for", "empty"),
        ("stop = \"seen\"", "stop = \" \"", "checks[0].stop", "empty"),
        ("cause = \"c\"\n", "", "test.toml", "missing field `cause`"),
        ("consequence = \"major\"\n", "", "test.toml", "missing field `consequence`"),
        ("otherwise = \"o\"\n", "", "test.toml", "missing field `otherwise`"),
        ("response = \"r\"\n", "", "test.toml", "missing field `response`"),
        ("hours = 2.0\n", "", "test.toml", "missing field `hours`"),
        ("urgency = \"next inspection\"\n", "", "test.toml", "missing field `urgency`"),
        ("source = \"common practice\"\n", "", "test.toml", "missing field `source`"),
        ("status = \"invented for a test\"\n", "", "test.toml", "missing field `status`"),
        ("\"major\"", "\"awful\"", "test.toml", "unknown variant `awful`"),
        ("\"r\"", "\" \"", "faults.a-fault.response", "empty"),
        ("2.0", "0.0", "faults.a-fault.hours", "above 0"),
        ("oil = \"iron\", ", "", "evidence[0]", "exactly one of"),
        ("is = \"high\", ", "", "evidence[0].is", "high or low"),
        ("oil = \"iron\"", "standing = true", "evidence[0]", "beside something else"),
        ("oil = \"iron\"", "oil = \"iron\", standing = true", "evidence[0]", "beside something else"),
        ("\"up\"", "\"up\", within = 1.5", "shows[0].within", "above 0 and below 1"),
        ("\"up\"", "\"same\", within = 0.1", "shows[0].within", "level that moves"),
        ("iron", "Iron", "evidence[0].oil", "lower-case"),
        ("parts = []", "parts = []\ncolour = 1", "test.toml", "unknown field `colour`"),
        ("apart = []", "apart = [{ with = \"b\", by = \"c\" }]", "faults.a-fault.apart", "not another fault"),
        ("a-fault", "unexplained-change", "faults.unexplained-change.id", "reserved"),
    ] {
        let error = load(&GOOD.replace(from, to)).unwrap_err().to_string();
        assert!(error.contains(path) && error.contains(what), "{to}: {error}");
    }
}

#[test]
fn the_built_in_library_loads_and_covers_every_system_of_a_locomotive() {
    let library = builtin().unwrap();
    for system in System::ALL.iter().filter(|s| !matches!(s, System::Operation | System::Machine)) {
        assert!(library.faults().iter().any(|f| f.system == Some(*system)), "{}", system.word());
    }
    assert!(library.faults().iter().filter(|f| f.system.is_none()).count() >= 5);
    assert!(library.faults().len() >= 40, "{}", library.faults().len());
}

/// The class that ships as the example, against which the library is written.
#[test]
fn every_channel_that_the_library_names_is_one_of_the_demo_class() {
    let text = include_str!("../../../../../deploy/register/demo-12.toml");
    let register: notchwatch_model::Register = toml::from_str(text).unwrap();
    let class = &register.classes[0];
    for fault in builtin().unwrap().faults() {
        for shown in &fault.shows {
            let known = class.channels.iter().any(|c| shown.concerns(c.name.as_str()));
            assert!(known, "{}: {}", fault.id, shown.channel);
        }
    }
}

#[test]
fn what_can_hurt_someone_carries_its_caution() {
    let library = builtin().unwrap();
    for (id, word) in [
        ("oil-pump-wear", "hot oil"),
        ("bearing-distress", "explosion"),
        ("piston-damage", "explosion"),
        ("ring-wear", "explosion"),
        ("traction-motor-distress", "high voltage"),
        ("rectifier-phase", "high voltage"),
        ("air-leak", "stored air"),
        ("compressor-worn", "stored air"),
        ("radiator-fouled", "hot cooling"),
    ] {
        let fault = library.fault(&FaultId::new(id).unwrap()).unwrap();
        assert!(fault.cautions.iter().any(|c| c.to_lowercase().contains(word)), "{id}");
    }
}
