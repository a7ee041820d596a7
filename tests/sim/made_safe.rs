//! The way to a safe state, step by step, with outputs to switch.

use spintrue_head::Head;
use spintrue_sim::open_with;

/// Each output is tried, and one that cannot be switched is told of.
#[test]
fn outputs_follow_and_troubles_are_told() {
    let text = "[[signal]]\nname = 'lamp'\ndirection = 'output'\nat_safe = 'off'\n\
                [[signal]]\nname = 'brake'\ndirection = 'output'\nat_safe = 'on'\nunder_light = true\n\
                [[channel]]\nname = 'pump'\ndirection = 'output'\nunit = 'kPa'\nleast = '-9 kPa'\n\
                most = '0 kPa'\nat_safe = '-1 kPa'\nunder_light = true\n";
    for (fault, troubles) in [("lock_lost@1000s", 0), ("laser_stays_armed@0s", 3)] {
        let faults = [fault.to_string()];
        let (mut head, _) = open_with(Some(("text", text)), 1, &faults).unwrap();
        head.switch("lamp", true).unwrap();
        head.spin(500.0).unwrap();
        head.sleep(12.0);
        head.arm(0.5).unwrap();
        let safe = head.make_safe(false);
        let told = safe.troubles.join("\n");
        assert_eq!(safe.troubles.len(), troubles, "{told}");
        assert_eq!(head.signal("lamp"), Ok(troubles > 0), "{told}");
        assert_eq!(head.signal("brake"), Ok(true));
        assert_eq!(head.channel("pump"), Ok(-1000.0));
        let why = "the output `lamp` could not be switched off: switching this output is refused";
        assert_eq!(told.contains(why), troubles > 0, "{told}");
    }
}
