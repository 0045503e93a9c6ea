// Errors, status registers, and the common commands.
// Copyright (c) 2026 the Ohmkeep authors. MIT License, see LICENSE.
#include <string.h>

#include "card.h"

namespace {

struct Text {
	int number;
	const char *text;
};

const Text texts[] = {
	{0, "No error"},
	{-101, "Invalid character"},
	{-102, "Syntax error"},
	{-103, "Invalid separator"},
	{-104, "Data type error"},
	{-108, "Parameter not allowed"},
	{-109, "Missing parameter"},
	{-111, "Header separator error"},
	{-112, "Program mnemonic too long"},
	{-113, "Undefined header"},
	{-114, "Header suffix out of range"},
	{-121, "Invalid character in number"},
	{-123, "Exponent too large"},
	{-124, "Too many digits"},
	{-131, "Invalid suffix"},
	{-134, "Suffix too long"},
	{-138, "Suffix not allowed"},
	{-141, "Invalid character data"},
	{-144, "Character data too long"},
	{-171, "Invalid expression"},
	{-221, "Settings conflict"},
	{-222, "Data out of range"},
	{-223, "Too much data"},
	{-230, "Data corrupt or stale"},
	{-240, "Hardware error"},
	{-241, "Hardware missing"},
	{-350, "Queue overflow"},
	{-363, "Input buffer overrun"},
	{-365, "Time out error"},
	{-430, "Query DEADLOCKED"},
};

// class_bit is the bit of the standard event status register.
int class_bit(int number) {
	if (number <= -100 && number > -200) return 1 << 5; // command error
	if (number <= -200 && number > -300) return 1 << 4; // execution error
	if (number <= -400 && number > -500) return 1 << 2; // query error
	return 1 << 3;                                      // the device's own
}

} // namespace

void Card::queue_error(int number, const char *detail, int channel) {
	event_status_ |= class_bit(number);
	if (errors_ == ERRORS) {
		error_[ERRORS - 1] = Entry{-350, "", 0};
		event_status_ |= class_bit(-350);
		return;
	}
	error_[errors_++] = Entry{number, detail, channel};
}

// system_error is SYSTem:ERRor[:NEXT]? and :COUNt? (arg 1).
void Card::system_error(Unit &u) {
	if (!end_of_parameters(u)) return;
	begin_answer();
	if (u.arg == 1) {
		put_integer(errors_);
		return;
	}
	Entry e = {0, "", 0};
	if (errors_ > 0) {
		e = error_[0];
		errors_--;
		memmove(error_, error_ + 1, static_cast<size_t>(errors_) * sizeof error_[0]);
	}
	put_integer(e.number);
	put(",\"");
	for (const Text &t : texts) {
		if (t.number == e.number) put(t.text);
	}
	if (e.detail[0] != 0) {
		put(";");
		put(e.detail);
		if (e.channel > 0) put_integer(e.channel);
	}
	put("\"");
}

void Card::system_version(Unit &u) {
	if (!end_of_parameters(u)) return;
	begin_answer();
	put("1999.0");
}

void Card::Register::set(int now) {
	event |= now & ~condition;
	condition = now;
}

// status_byte is the status byte with the master summary in bit 6.
int Card::status_byte() const {
	int bits = 0;
	if (errors_ > 0) bits |= 1 << 2;
	if (questionable_.summary()) bits |= 1 << 3;
	if (out_used_ > 0) bits |= 1 << 4; // an answer waits
	if ((event_status_ & event_enable_) != 0) bits |= 1 << 5;
	if (operation_.summary()) bits |= 1 << 7;
	if ((bits & service_enable_) != 0) bits |= 1 << 6;
	return bits;
}

// status_register is STATus:OPERation and :QUEStionable: arg is the part (0
// event, 1 condition, 2 enable), and 4 for the second.
void Card::status_register(Unit &u) {
	Register &r = (u.arg & 4) != 0 ? questionable_ : operation_;
	long bits;
	if (!u.query) {
		if (whole(u, 0, 32767, bits) && end_of_parameters(u)) r.enable = static_cast<int>(bits);
		return;
	}
	if (!end_of_parameters(u)) return;
	look_at_channels();
	begin_answer();
	switch (u.arg & 3) {
	case 0:
		put_integer(r.event);
		r.event = 0;
		break;
	case 1:
		put_integer(r.condition);
		break;
	default:
		put_integer(r.enable);
	}
}

void Card::status_preset(Unit &u) {
	if (end_of_parameters(u)) operation_.enable = questionable_.enable = 0;
}

// common_number is *ESE (arg 0) and *SRE (arg 1).
void Card::common_number(Unit &u) {
	int &bits = u.arg == 0 ? event_enable_ : service_enable_;
	long n;
	if (!u.query) {
		if (whole(u, 0, 255, n) && end_of_parameters(u)) bits = static_cast<int>(n) & (u.arg == 0 ? 255 : 255 - 64);
		return;
	}
	if (!end_of_parameters(u)) return;
	begin_answer();
	put_integer(bits);
}

// common_event is *ESR? (arg 0), *STB? (1), *OPC? (2) and *TST? (3).
void Card::common_event(Unit &u) {
	if (!end_of_parameters(u)) return;
	const int byte = status_byte(); // before an answer of this unit waits
	begin_answer();
	switch (u.arg) {
	case 0:
		put_integer(event_status_);
		event_status_ = 0;
		break;
	case 1:
		put_integer(byte);
		break;
	case 2:
		put("1"); // units are carried out one after the other: all before has ended
		break;
	default:
		put("0"); // what the six functions do cannot test themselves
	}
}

// common_text is *IDN? (arg 0) and *OPT? (arg 1).
void Card::common_text(Unit &u) {
	if (!end_of_parameters(u)) return;
	begin_answer();
	if (u.arg == 0) {
		const char *const fields[] = {hw_facts.maker, hw_facts.model, hw_facts.serial, hw_facts.version};
		for (int i = 0; i < 4; i++) {
			if (i > 0) put(",");
			put(fields[i]);
		}
		return;
	}
	put("CHANNELS ");
	put_integer(CHANNELS);
	put(",WATCHDOG ");
	put_integer(static_cast<long>(hw_facts.watchdog_ms / 1000));
	const long ms = static_cast<long>(hw_facts.watchdog_ms % 1000);
	if (ms != 0) {
		put(ms < 10 ? ".00" : ms < 100 ? ".0" : ".");
		put_integer(ms);
	}
	put(",MESSAGE ");
	put_integer(MESSAGE_SIZE);
}

// common_action is *CLS (arg 0), *OPC (1), *WAI (2) and *RST (3).
void Card::common_action(Unit &u) {
	if (!end_of_parameters(u)) return;
	switch (u.arg) {
	case 0:
		errors_ = event_status_ = operation_.event = questionable_.event = 0;
		break;
	case 1:
		event_status_ |= 1;
		break;
	case 3:
		reset();
		break;
	}
}
