//! Published values with their sources, compared with what the program works out.
mod balance;
mod conformity;
mod conformity_probability;
mod figures;
mod given;
mod limits_by_age;
mod months;
mod odometer;
mod regression;
mod runout;
mod schedules;
mod student_t;
mod table;
mod tire;
mod torque;
mod units;
mod vin;
