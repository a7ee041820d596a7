//! The way to a head: layers that stack, typed calls for those who use one, and the bottom of every
//! stack, which asks the head, the gauge and the fault injector themselves.

use crate::call::{Call, FromReply, Reply, Row};
use crate::{
    Description, Exposed, ExposedPage, Fault, FaultInjector, Gauge, Halt, Head, LineOrder,
    PageOrder, Proof, Reading, SafeState, Status, SteadyOrder, Trim, Turn,
};
use std::sync::Arc;

/// A head with its gauge and its faults, as layers see it: a recorder, a replay, a fixture, a wire.
///
/// A layer names the calls that it treats specially and passes all others on.
pub trait Link {
    /// Makes a call. Sleeping, too, is a call.
    fn call(&mut self, call: &Call) -> Result<Reply, Fault>;

    /// Head time in s; never goes back. No call, because recordings keep it more briefly.
    fn now(&mut self) -> f64;
}

impl<L: Link + ?Sized> Link for Box<L> {
    fn call(&mut self, call: &Call) -> Result<Reply, Fault> {
        (**self).call(call)
    }

    fn now(&mut self) -> f64 {
        (**self).now()
    }
}

/// Typed calls, for all who use a link or what guards one: `link.spin(speed)?`, `link.status()?`.
/// [`Head`] and [`Gauge`] say what each does.
#[allow(missing_docs, reason = "each is the method of that name of a head, a gauge or an injector")]
pub trait Calls {
    /// A [`Fault`], or what includes one.
    type Error: From<Fault>;

    /// Makes a call whose reply is a `T`.
    fn request<T: FromReply>(&mut self, call: Call) -> Result<T, Self::Error>;

    fn describe(&mut self) -> Result<Description, Self::Error> {
        self.request::<Box<Description>>(Call::Describe).map(|boxed| *boxed)
    }

    fn status(&mut self) -> Result<Status, Self::Error> {
        self.request(Call::Status)
    }

    fn spin(&mut self, speed: f64) -> Result<(), Self::Error> {
        self.request(Call::Spin { speed })
    }

    fn halt(&mut self, how: Halt) -> Result<(), Self::Error> {
        self.request(Call::Halt { how })
    }

    fn steer(&mut self, angle: Option<f64>) -> Result<(), Self::Error> {
        self.request(Call::Steer { angle })
    }

    fn turns(&mut self, count: u32) -> Result<Vec<Turn>, Self::Error> {
        self.request(Call::Turns { count })
    }

    fn trims(&mut self) -> Result<Vec<Trim>, Self::Error> {
        self.request(Call::Trims)
    }

    fn load_trims(&mut self, trims: &[Trim]) -> Result<(), Self::Error> {
        self.request(Call::LoadTrims { trims: trims.to_vec() })
    }

    fn store_trims(&mut self, proof: Option<&Proof>) -> Result<(), Self::Error> {
        self.request(Call::StoreTrims { proof: proof.cloned() })
    }

    fn stored_proof(&mut self) -> Result<Option<Proof>, Self::Error> {
        self.request(Call::StoredProof)
    }

    fn arm(&mut self, power: f64) -> Result<(), Self::Error> {
        self.request(Call::Arm { power })
    }

    fn disarm(&mut self) -> Result<(), Self::Error> {
        self.request(Call::Disarm)
    }

    fn expose(&mut self, line: &LineOrder) -> Result<Exposed, Self::Error> {
        self.request(Call::Expose { line: line.clone() })
    }

    fn expose_page(&mut self, page: &PageOrder) -> Result<ExposedPage, Self::Error> {
        self.request(Call::expose_page(page))
    }

    fn draw_steadily(&mut self, order: SteadyOrder) -> Result<(), Self::Error> {
        self.request(Call::DrawSteadily { order })
    }

    fn drawing_steadily(&mut self) -> Result<bool, Self::Error> {
        self.request(Call::DrawingSteadily)
    }

    fn signal(&mut self, name: &str) -> Result<bool, Self::Error> {
        self.request(Call::Signal { signal: name.to_string() })
    }

    fn switch(&mut self, name: &str, on: bool) -> Result<(), Self::Error> {
        self.request(Call::Switch { signal: name.to_string(), on })
    }

    fn channel(&mut self, name: &str) -> Result<f64, Self::Error> {
        self.request(Call::Channel { channel: name.to_string() })
    }

    fn set_channel(&mut self, name: &str, value: f64) -> Result<(), Self::Error> {
        self.request(Call::SetChannel { channel: name.to_string(), value })
    }

    fn sleep(&mut self, seconds: f64) -> Result<(), Self::Error> {
        self.request(Call::Sleep { seconds })
    }

    fn make_safe(&mut self, keep_spinning: bool) -> Result<SafeState, Self::Error> {
        self.request(Call::MakeSafe { keep_spinning })
    }

    fn measure(&mut self) -> Result<Reading, Self::Error> {
        self.request(Call::Measure)
    }

    fn check_can_inject(&mut self, fault: &str) -> Result<(), Self::Error> {
        let call = Call::CheckCanInject { fault: fault.to_string() };
        let refusal = self.request::<Option<String>>(call)?;
        refusal.map_or(Ok(()), |why| Err(Fault::Refused(why).into()))
    }

    fn inject(&mut self, fault: &str, after: f64) -> Result<(), Self::Error> {
        self.request(Call::Inject { fault: fault.to_string(), after })
    }

    fn clear_faults(&mut self) -> Result<(), Self::Error> {
        self.request(Call::ClearFaults)
    }
}

impl<L: Link + ?Sized> Calls for L {
    type Error = Fault;

    fn request<T: FromReply>(&mut self, call: Call) -> Result<T, Fault> {
        take_reply(call.row(), self.call(&call)?)
    }
}

/// Takes out of a reply what its call returns.
pub fn take_reply<T: FromReply>(row: &Row, reply: Reply) -> Result<T, Fault> {
    let wrong = || Fault::Broken(format!("the head gave a wrong reply to `{}`", row.name));
    T::from_reply(reply).ok_or_else(wrong)
}

/// The refusal of every call about faults on a head that has none to inject.
pub fn not_simulated() -> Fault {
    let why = "faults are provoked on a simulated head only, and this is none";
    Fault::Refused(why.to_string())
}

/// The bottom of every stack: a head, its gauge and its fault injector, as far as it has them.
pub struct Rig {
    head: Box<dyn Head>,
    gauge: Option<Box<dyn Gauge>>,
    injector: Option<Box<dyn FaultInjector>>,
}

impl Rig {
    /// A head with its gauge, if it has one.
    pub fn new(head: Box<dyn Head>, gauge: Option<Box<dyn Gauge>>) -> Rig {
        Rig { head, gauge, injector: None }
    }

    /// The same with what injects faults into it.
    pub fn with_injector(self, injector: Box<dyn FaultInjector>) -> Rig {
        Rig { injector: Some(injector), ..self }
    }
}

impl Link for Rig {
    fn call(&mut self, call: &Call) -> Result<Reply, Fault> {
        let injector = self.injector.as_deref_mut();
        perform_call(&mut *self.head, self.gauge.as_deref_mut(), injector, call)
    }

    fn now(&mut self) -> f64 {
        self.head.now()
    }
}

/// A head alone that is borrowed.
pub(crate) struct Borrowed<'h>(pub(crate) &'h mut dyn Head);

impl Link for Borrowed<'_> {
    fn call(&mut self, call: &Call) -> Result<Reply, Fault> {
        perform_call(self.0, None, None, call)
    }

    fn now(&mut self) -> f64 {
        self.0.now()
    }
}

/// Asks a head, its gauge and its injector themselves, as far as there are any.
pub fn perform_call(
    head: &mut dyn Head,
    gauge: Option<&mut (dyn Gauge + 'static)>,
    injector: Option<&mut (dyn FaultInjector + 'static)>,
    call: &Call,
) -> Result<Reply, Fault> {
    Ok(match call {
        Call::Describe => Box::new(head.describe()?).into(),
        Call::Status => head.status()?.into(),
        Call::Spin { speed } => head.spin(*speed)?.into(),
        Call::Halt { how } => head.halt(*how)?.into(),
        Call::Steer { angle } => head.steer(*angle)?.into(),
        Call::Turns { count } => head.turns(*count)?.into(),
        Call::Trims => head.trims()?.into(),
        Call::LoadTrims { trims } => head.load_trims(trims)?.into(),
        Call::StoreTrims { proof: None } => head.store_trims()?.into(),
        Call::StoreTrims { proof: Some(proof) } => head.store_proved_trims(proof)?.into(),
        Call::StoredProof => head.stored_proof()?.into(),
        Call::Arm { power } => head.arm(*power)?.into(),
        Call::Disarm => head.disarm()?.into(),
        Call::Expose { line } => head.expose(line)?.into(),
        Call::ExposePage { dot_period, delay, pitch, image, correction } => {
            let image = Arc::clone(image.dots()?);
            let (dot_period, delay, pitch) = (*dot_period, *delay, *pitch);
            let correction = correction.clone();
            head.expose_page(&PageOrder { dot_period, delay, pitch, image, correction })?.into()
        }
        Call::DrawSteadily { order } => head.draw_steadily(order)?.into(),
        Call::DrawingSteadily => head.drawing_steadily()?.into(),
        Call::Signal { signal } => head.signal(signal)?.into(),
        Call::Switch { signal, on } => head.switch(signal, *on)?.into(),
        Call::Channel { channel } => head.channel(channel)?.into(),
        Call::SetChannel { channel, value } => head.set_channel(channel, *value)?.into(),
        Call::Sleep { seconds } => {
            head.sleep(*seconds);
            Reply::Done
        }
        Call::MakeSafe { keep_spinning } => head.make_safe(*keep_spinning).into(),
        Call::Measure => gauge.ok_or(Fault::NoGauge)?.measure()?.into(),
        Call::CheckCanInject { fault } => {
            let checked = injector.ok_or_else(not_simulated)?.check_can_inject(fault);
            checked.err().map(|why| why.to_string()).into()
        }
        Call::Inject { fault, after } => {
            injector.ok_or_else(not_simulated)?.inject(fault, *after)?.into()
        }
        Call::ClearFaults => {
            injector.ok_or_else(not_simulated)?.clear();
            Reply::Done
        }
    })
}
