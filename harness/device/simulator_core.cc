#include "harness/device/simulator_core_internal.h"

#include <algorithm>
#include <cstdarg>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <limits>
#include <utility>

#include "harness/base/bad_input.h"
#include "harness/device/simulator_log_internal.h"

namespace dawnrig::device {
namespace {

constexpr std::uint32_t kDataSpace = 0x10000;  // every address a 16-bit pointer can form
constexpr std::uint32_t kSlack = 1024;         // a page write or a long instruction may begin at the very end

std::string hex(std::uint32_t value) {
  char text[16];
  std::snprintf(text, sizeof text, "0x%04x", static_cast<unsigned>(value));
  return text;
}

/// The simulator checks an address and then uses it all the same; room behind its arrays keeps that inside ours.
void make_room(avr_t* avr) {
  const std::uint32_t flash_reach = avr->rampz != 0 ? 0x1000000U : 0x10000U;
  auto* flash = static_cast<std::uint8_t*>(std::calloc(flash_reach + kSlack, 1));  // reads behind the end read alike
  auto* data = static_cast<std::uint8_t*>(std::realloc(avr->data, kDataSpace + kSlack));
  if (flash == nullptr || data == nullptr) {
    throw base::RunFault("no memory for a simulated device");
  }
  std::memset(data + avr->ramend + 1, 0, kDataSpace + kSlack - avr->ramend - 1);
  std::memcpy(flash, avr->flash, avr->flashend + 1U);
  std::free(avr->flash);
  avr->flash = flash;
  avr->data = data;
}

/// Modules of the simulator that this room models itself must not act on a reset behind our back.
void silence(avr_t* avr, const char* kind) {
  for (auto* io = next_module<avr_io_t>(avr, kind); io != nullptr; io = next_module<avr_io_t>(avr, kind, io)) {
    io->reset = nullptr;
  }
}

/// A low external interrupt pin would be polled on every cycle from then on, whether or not its interrupt is in use.
void stop_polling_pins(avr_t* avr) {
  for (std::uint8_t line = 0; line < 8; ++line) {
    avr_extint_set_strict_lvl_trig(avr, line, 0);
  }
}

void free_cell_lines(avr_t* avr) {
  for (auto& cell : avr->io) {
    if (cell.irq != nullptr) {
      avr_free_irq(cell.irq, 9);  // eight bits and the byte
      cell.irq = nullptr;
    }
  }
}

}  // namespace

SimulatorCore::SimulatorCore(const std::string& part, std::int64_t clock_hz, const Image& image,
                             const Shortcuts& shortcuts)
    : program_bytes_(image.flash.size()) {
  const LogScope scope(this);
  avr_ = avr_make_mcu_by_name(part.c_str());
  if (avr_ == nullptr) {
    throw base::BadInput(image.file, "part " + part + " is not one the simulator knows");
  }
  avr_init(avr_);
  make_room(avr_);
  vector_bits_.emplace(avr_);
  avr_->frequency = static_cast<std::uint32_t>(clock_hz);
  avr_->log = LOG_ERROR;
  avr_->run_cycle_limit = std::numeric_limits<std::int64_t>::max();
  ram_start_ = avr_->ioend + 1U;
  usual_run_ = avr_->run;
  watchdog_ = next_module<avr_watchdog_t>(avr_, "watchdog");
  if (image.flash.size() > avr_->flashend + 1U) {
    const std::string size = std::to_string(image.flash.size());
    release();
    throw base::BadInput(image.file, "holds " + size + " bytes of program, more than the flash of " + part);
  }
  std::copy(image.flash.begin(), image.flash.end(), avr_->flash);
  for (std::uint32_t at = 0; at + 2 < image.flash.size(); at += 2) {
    skips_too_far_ = skips_too_far_ || skips_too_far_at(at);
  }
  for (const char* kind : {"timer", "adc", "uart", "spi", "eeprom", "port", "twi", "ac"}) {
    silence(avr_, kind);
  }
  stop_polling_pins(avr_);
  // The simulator's comparator listens to every access of the converter's registers: nine calls for each look of a
  // firmware that polls ADSC. Nobody feeds its inputs, so whatever it hears its output stays the same. (It would listen
  // anew at each reset; hence silenced above.)
  free_cell_lines(avr_);
  own_write<&SimulatorCore::watch_stack>(avr_, R_SPH, this);
  if (shortcuts.skip_idle) {
    skipper_ = std::make_unique<IdleSkipper>(*this);
    runner_ = std::make_unique<PlainRunner>(avr_, shortcuts.translate_after, static_cast<Sleeper*>(this));
  }
}

SimulatorCore::~SimulatorCore() {
  release();
}

void SimulatorCore::release() {
  avr_irq_pool_t pool = avr_->irq_pool;
  free_cell_lines(avr_);
  avr_terminate(avr_);
  // What avr_terminate() leaves behind, as it did the lines of register bits: the names and hooks of the interrupt
  // vectors' lines.
  for (int i = 0; i < pool.count; ++i) {
    avr_irq_t* irq = avr_->irq_pool.irq[i];
    if (irq != nullptr && (irq->flags & IRQ_FLAG_ALLOC) == 0) {
      avr_free_irq(irq, 1);
    }
  }
  std::free(avr_->irq_pool.irq);
  std::free(avr_);
  avr_ = nullptr;
}

void SimulatorCore::crash(const std::string& what) {
  if (crash_reason_.empty()) {
    crash_reason_ = what + " (PC " + hex(avr_->pc) + ", cycle " + std::to_string(avr_->cycle) + ")";
  }
  avr_->state = cpu_Crashed;
}

void SimulatorCore::hear(int /*level*/, const char* format, std::va_list arguments) {
  if (avr_ == nullptr) {
    return;  // not built yet: the constructor gives its own reasons
  }
  char text[256];
  std::vsnprintf(text, sizeof text, format, arguments);
  const auto says = [&text](const char* words) { return std::strstr(text, words) != nullptr; };
  const auto address = [&text] {
    const char* found = std::strstr(text, "Address ");
    return found == nullptr ? std::string("?") : "0x" + std::string(found + 8, strnlen(found + 8, 4));
  };
  const std::string end = hex(avr_->ramend);
  if (says("Invalid Opcode")) {
    const auto opcode = static_cast<std::uint32_t>(avr_->flash[avr_->pc] | (avr_->flash[avr_->pc + 1] << 8));
    crash("illegal instruction " + hex(opcode));
  } else if (says("Invalid write")) {
    crash("wrote to address " + address() + ", beyond the end of memory at " + end);
  } else if (says("Invalid read")) {
    crash("read from address " + address() + ", beyond the end of memory at " + end);
  } else if (says("avr_sadly_crashed")) {
    crash("program ran off the end of flash");
  } else if (says("CYCLE:")) {
    crash("the simulator has no room for another peripheral event");
  }
}

void SimulatorCore::watch_stack(avr_io_addr_t address, std::uint8_t value) {
  avr_->data[address] = value;
  if (value > ram_start_ >> 8U) {
    return;  // every push comes by here
  }
  const unsigned pointer = avr_->data[R_SPL] | (value << 8U);
  if (pointer + 1 < ram_start_ && avr_->state == cpu_Running) {
    crash("stack grew below the start of memory at " + hex(ram_start_) + " (stack pointer " + hex(pointer) + ")");
  }
}

void SimulatorCore::vouch_for(avr_io_addr_t address, Peripheral& reader) {
  if (skipper_) {
    skipper_->vouch_for(address, reader);
  }
}

void SimulatorCore::allow_strides() {
  if (skipper_) {
    skipper_->start_over();
  }
  // By itself the simulator would run on to the next event, and does so again as soon as an appointment is made. Where
  // we execute what is plain, or have to look at each skip, it gets one instruction at a time.
  avr_->run_cycle_limit = skipper_ || skips_too_far_ ? 1 : std::numeric_limits<std::int64_t>::max();
}

void SimulatorCore::fence(Cycle /*when*/) {
  fenced_ = false;
}

void SimulatorCore::pass_time(Cycle until) {
  avr_->cycle = static_cast<avr_cycle_count_t>(std::max(until, now()));
}

void SimulatorCore::reset() {
  const LogScope scope(this);
  crash_reason_.clear();
  stalled_ = false;
  arrived_ = false;
  io_clock_off_ = false;
  asleep_ = false;
  avr_reset(avr_);
  avr_->run = usual_run_;
  allow_strides();
  stop_polling_pins(avr_);
  for (Peripheral* peripheral : peripherals_) {
    peripheral->reset();
  }
  if (runner_) {
    runner_->registers_taken();
  }
}

void SimulatorCore::run(Cycle until) {
  const LogScope scope(this);
  until_ = until;
  appoint_anew<&SimulatorCore::fence>(avr_, until, this);
  fenced_ = true;
  if (asleep_ && avr_->state == cpu_Running) {
    wake_up();  // by a pin that was moved meanwhile
  }
  while (now() < until && !crashed() && !bitten()) {
    if (avr_->state == cpu_Running && !stalled_) {
      if (skipper_ && skipper_->due(now())) {
        skipper_->look();
        continue;  // it may have come to the end, or met a crash, a reset or sleep
      }
      run_plainly();
    } else {
      run_asleep();
    }
  }
  if (fenced_) {
    call_off<&SimulatorCore::fence>(avr_, this);
  }
}

void SimulatorCore::run_plainly() {
  if (!runner_) {
    run_awake();
    return;
  }
  arrived_ = execute(std::min(until_, skipper_->latest_look()), arrived_, true);
  if (arrived_) {
    skipper_->arrive();
  }
}

bool SimulatorCore::execute(Cycle limit, bool past_stop, bool sleeps_through) {
  may_sleep_through_ = sleeps_through;
  const PlainRunner::Outcome outcome = runner_->run(limit, past_stop);
  if (outcome != PlainRunner::Outcome::kNotPlain) {
    if (outcome == PlainRunner::Outcome::kToSettle && !std::exchange(settled_, false) && !crashed()) {
      settle();
    }
    return outcome == PlainRunner::Outcome::kStopped;
  }
  constexpr unsigned kStoreProgram = 0x95E8;
  constexpr avr_io_addr_t kSpmcsr = 0x57;
  constexpr unsigned kErasesOrWrites = 0x06;      // a page; anything else it does changes no program memory
  const bool inside = avr_->pc < avr_->flashend;  // a return to anywhere may lead beyond
  const unsigned opcode = inside ? avr_->flash[avr_->pc] | (avr_->flash[avr_->pc + 1] << 8U) : 0U;
  const bool changes = (opcode & ~0x10U) == kStoreProgram && (avr_->data[kSpmcsr] & kErasesOrWrites) != 0;
  avr_->run_cycle_count = 1;  // one instruction: what the simulator believes to have time for is out of date
  run_awake();
  if (changes) {
    skipper_->forget_waits();
    runner_->start_over();
  }
  return false;
}

// Of a skip over ADIW or SBIW the simulator takes some for a skip over two words: it looks at too few bits of them.
bool SimulatorCore::skips_too_far_at(avr_flashaddr_t pc) const {
  const unsigned skip = avr_->flash[pc] | (avr_->flash[pc + 1] << 8U);
  const unsigned over = avr_->flash[pc + 2] | (avr_->flash[pc + 3] << 8U);
  return (over & 0xFE0CU) == 0x960CU &&
         ((skip & 0xFC00U) == 0x1000U || (skip & 0xFC08U) == 0xFC00U || (skip & 0xFD00U) == 0x9900U);
}

void SimulatorCore::run_awake() {
  // A return may have led behind the end of flash, where there is nothing to look at.
  const bool corrects = skips_too_far_ && avr_->pc < avr_->flashend && skips_too_far_at(avr_->pc);
  if (skips_too_far_) {
    avr_->run_cycle_count = 1;  // an instruction at a time, so that none of them is missed
  }
  const avr_flashaddr_t before = avr_->pc;
  avr_flashaddr_t next_pc = avr_run_one(avr_);
  if (crashed()) {
    return;
  }
  if (corrects && next_pc == before + 6) {
    next_pc -= 2;
    --avr_->cycle;
  }
  avr_->pc = next_pc;
  settle();
}

void SimulatorCore::settle() {
  process_events();
  if (avr_->state == cpu_Sleeping) {
    note_sleep();
  }
  if (avr_->interrupt_state != 0 && !bitten()) {
    enter_interrupts();
  }
}

}  // namespace dawnrig::device
