//! Published values with their sources, compared with what the program works out.
mod conformity;
mod given;
mod limits_by_age;
mod months;
mod odometer;
mod table;
mod tire;
mod torque;
mod units;
mod vin;
mod balance;
mod conformity_probability;
mod figures;
mod regression;
mod runout;
mod student_t;
