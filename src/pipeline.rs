//! The only threads: frames in, fingerprints out, in order.
