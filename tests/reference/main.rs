//! Published values with their sources, compared with what the program works out.
mod balance;
mod conformity_probability;
mod figures;
mod regression;
mod runout;
mod student_t;
