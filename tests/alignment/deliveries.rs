//! What a device shows of a clip, perfect or with one fault.

/// What a frame shows: a picture, or a mix with the next.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shown {
    pub first: u64,
    /// Weight of the picture after `first`.
    pub weight: f32,
    /// Whether this frame is mixed, out of order or the first after a loss: what must be found.
    pub fault: bool,
}

/// A way of delivering.
#[derive(Clone, Copy)]
pub struct Delivery {
    pub name: &'static str,
    /// Pictures of the clip per hundred frames, for the rates.
    pub pictures: (u64, u64),
    pub fault: Option<Fault>,
    show: fn(u64) -> Shown,
}

/// The fault that was made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    Mix,
    Order,
    Loss,
}

fn picture(first: u64) -> Shown {
    Shown { first, weight: 0.0, fault: false }
}

/// All of them: frame to picture.
pub const DELIVERIES: [Delivery; 7] = [
    Delivery { name: "1:1", pictures: (1, 1), fault: None, show: picture },
    Delivery { name: "2:2", pictures: (1, 2), fault: None, show: |frame| picture(frame / 2) },
    Delivery { name: "2:3", pictures: (2, 5), fault: None, show: |frame| picture(frame * 2 / 5) },
    Delivery { name: "5in6", pictures: (5, 6), fault: None, show: |frame| picture(frame * 5 / 6) },
    Delivery { name: "mixes", pictures: (5, 6), fault: Some(Fault::Mix), show: mixed },
    Delivery { name: "order", pictures: (1, 1), fault: Some(Fault::Order), show: swapped },
    Delivery { name: "losses", pictures: (1, 1), fault: Some(Fault::Loss), show: lost },
];

/// Fifty pictures into sixty frames by mixing neighbours.
fn mixed(frame: u64) -> Shown {
    let sixths = frame * 5;
    Shown { first: sixths / 6, weight: (sixths % 6) as f32 / 6.0, fault: sixths % 6 != 0 }
}

/// Two pictures swapped in every seventeen.
fn swapped(frame: u64) -> Shown {
    match frame % 17 {
        9 => Shown { fault: true, ..picture(frame + 1) },
        10 => Shown { fault: true, ..picture(frame - 1) },
        _ => picture(frame),
    }
}

/// One picture left out of every thirteen.
fn lost(frame: u64) -> Shown {
    Shown { fault: frame % 12 == 0 && frame > 0, ..picture(frame + frame / 12) }
}

impl Delivery {
    pub fn is_perfect(&self) -> bool {
        self.fault.is_none()
    }

    /// So many frames.
    pub fn frames(&self, count: u64) -> Vec<Shown> {
        (0..count).map(self.show).collect()
    }
}
