//! The real firmware image on a simulated chip, with simulated parts on its buses.
