// card.h: a card that speaks the protocol. Everything is inside one object of
// fixed size; nothing is allocated.
//
//     static Card card(send, 0);
//     card.start();
//     for (;;) {
//         while (a byte has come) card.feed(byte);
//         card.tick();
//         feed the processor's own watchdog
//     }
//
// Copyright (c) 2026 the Ohmkeep authors. MIT License, see LICENSE.
#ifndef OHMKEEP_CARD_H
#define OHMKEEP_CARD_H

#include <stdint.h>

#include "hardware.h"
#include "parse.h"

// Sizes that may be changed. A message with its end has at most MESSAGE_SIZE
// bytes; INPUT_SIZE holds the one being carried out and those that wait.
const int MESSAGE_SIZE = 1024;
const int INPUT_SIZE = 2 * MESSAGE_SIZE + 64;
const int OUTPUT_SIZE = 2048; // the answers of one message
const int ERRORS = 16;        // entries of the error queue
const int READ_ITEMS = 16;    // channels in the list of one READ?
const int READING_DIGITS = 9; // of what is measured; 0: as many as read back exactly

static_assert(INPUT_SIZE >= 2 * MESSAGE_SIZE + 8, "an urgent message must always fit in");

const int PATH_BYTES = (LINES * CONTACTS + 7) / 8;

class Card {
public:
	// Send writes an answer to the host. It is called with whole lines.
	typedef void (*Send)(void *context, const char *bytes, int length);

	Card(Send send, void *context);
	// start makes the outputs safe; once, when the hardware can be used.
	void start();
	// feed takes one byte from the host. It may be called as often as bytes
	// come, but not from an interrupt.
	void feed(char byte);
	// hang_up forgets the part of a message that has come: the connection to
	// the host has ended. What is on stays on until the watchdog's time is over.
	void hang_up();
	// tick does what is to be done; call it at least every millisecond.
	void tick();
	// is_safe: no output is on and no path is closed.
	bool is_safe() const;
	// is_idle: there is no message to carry out.
	bool is_idle() const { return stored_ == 0; }

private:
	// Settings are those that are coupled: they change together. Arrays are
	// indexed by Quantity.
	struct Settings {
		Quantity forced;
		bool remote;
		real level[2], range[2]; // forced
		real sense[2];           // full scales that sense
		real protection[2];      // 0: not set
		real aperture;           // s
		int count;
	};
	// Reading is what a READ? brought for one channel.
	struct Reading {
		real v, i, level;
		int status;
	};
	struct Channel {
		Settings now, next;
		bool on, average, tripped, at_limit;
		Reading reading;
		int left;      // apertures until the reading is complete
		bool measured; // the aperture under way has ended
	};
	// Enabled is an event register with its condition and its enable.
	struct Register {
		int condition, event, enable;
		void set(int condition);
		bool summary() const { return (event & enable) != 0; }
	};
	struct Entry {
		int number;
		const char *detail; // "" or words that live for ever
		int channel;        // that they end with; 0: none
	};
	struct Command {
		const char *header;
		int forms;
		int arg;
		void (Card::*carry_out)(Unit &u);
	};
	static const Command commands[];
	static const int command_count;
	enum Waiting { for_nothing, for_switches, for_reading };

	// card.cpp: messages, the watchdog, what goes on in time
	void end_of_message();
	void keep_trouble();
	void make_room();
	void work();
	void next_unit();
	void begin_message();
	void end_unit(const Unit &u);
	void skip_rest();
	void finish_message();
	void cut();
	void look_at_channels();
	void watch_host();
	void wait_for_switches();
	// card.cpp: answers
	void begin_answer();
	void put(const char *text, int length);
	void put(const char *text);
	void put_integer(long n);
	void put_real(real x, int digits);

	// status.cpp: errors and status registers
	void queue_error(int number, const char *detail = "", int channel = 0);
	int status_byte() const;
	void common_number(Unit &u);
	void common_event(Unit &u);
	void common_text(Unit &u);
	void common_action(Unit &u);
	void system_error(Unit &u);
	void system_version(Unit &u);
	void status_register(Unit &u);
	void status_preset(Unit &u);

	// source.cpp: settings and outputs
	void reset();
	void make_safe();
	static Setup setup_of(const Settings &s, bool on);
	static bool fits_together(const Channel &c);
	int take_effect();
	void forget_next();
	Settings &change(const Unit &u);
	const Settings &now(const Unit &u) const;
	void answer_real(Unit &u, real x);
	void answer_integer(Unit &u, long n);
	void range(Unit &u, const Ranges &ranges, real (Settings::*full)[2]);
	void force_mode(Unit &u);
	void force_level(Unit &u);
	void force_range(Unit &u);
	void sense_place(Unit &u);
	void sense_range(Unit &u);
	void protection(Unit &u);
	void aperture(Unit &u);
	void average_count(Unit &u);
	void average_state(Unit &u);
	void limit_reached(Unit &u);
	void trip(Unit &u);
	void output(Unit &u);

	// paths.cpp
	bool is_closed(int line, int contact) const;
	void move(int line, int contact, bool closed);
	bool is_taken(int line, int contact, const uint8_t *wanted) const;
	void route_close(Unit &u);
	void route_open(Unit &u);
	void route_state(Unit &u);

	// reading.cpp
	void read(Unit &u);
	void fetch(Unit &u);
	void abort(Unit &u);
	void start_round();
	void end_round();
	void stop_reading();
	bool watch_reading();
	void put_readings();

	const Send send_;
	void *const context_;

	Channel channel_[CHANNELS];
	uint8_t closed_[PATH_BYTES]; // a bit for each path
	uint32_t heard_; // the last message, or the end of the last command

	char in_[INPUT_SIZE];
	int stored_; // of in_: complete messages, each with its LF
	int fill_;   // of in_: with the message that is coming
	bool cr_;    // the last byte was a CR
	int trouble_; // with the message that is coming: an error number
	bool begun_;  // the first message is being carried out
	int at_;      // how far
	bool changed_; // settings wait to take effect
	Path path_;

	char out_[OUTPUT_SIZE];
	int out_used_;
	bool out_full_;

	Waiting waiting_;
	uint32_t since_; // ms
	uint32_t within_; // ms; how long a round may take
	uint8_t order_[READ_ITEMS]; // channels of the last READ?
	int items_;
	bool fresh_; // it has ended, and nothing has made it stale

	Entry error_[ERRORS];
	int errors_;
	int event_status_, event_enable_, service_enable_;
	Register operation_, questionable_;
};

#endif
