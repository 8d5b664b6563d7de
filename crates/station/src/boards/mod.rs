//! The boards: a thread for each, over serial, TCP or a virtual board; what they say goes out on one channel, what people want goes in by a
//! bounded queue and comes back with a definite outcome.
