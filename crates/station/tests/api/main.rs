//! The API from outside: every route refuses who may not, log-ins, commands and their trail, what goes out.

mod care;
mod design;
mod diary;
mod harness;
mod orders;
mod people;
mod routes;
mod twin;
mod upkeep;
mod values;
mod weighing;
