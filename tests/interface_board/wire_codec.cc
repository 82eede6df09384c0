#include "tests/interface_board/wire_codec.h"

#include <google/protobuf/unknown_field_set.h>

#include <algorithm>
#include <array>

namespace dawnrig::interface_board {
namespace {

using google::protobuf::UnknownField;
using google::protobuf::UnknownFieldSet;

bool has_groups(const UnknownFieldSet& fields) {
  for (int i = 0; i < fields.field_count(); ++i) {
    if (fields.field(i).type() == UnknownField::TYPE_GROUP) {
      return true;
    }
  }
  return false;
}

bool parse(UnknownFieldSet& fields, const std::string& bytes) {
  return fields.ParseFromArray(bytes.data(), static_cast<int>(bytes.size()));
}

/// How many elements a field adds to a list of fixed32.
std::size_t elements(const UnknownField& field) {
  if (field.type() == UnknownField::TYPE_FIXED32) {
    return 1;
  }
  return field.type() == UnknownField::TYPE_LENGTH_DELIMITED ? field.length_delimited().size() / 4 : 0;
}

/// Everything that is in the bytes, also what a later part of the message replaces: lists longer than the board's, and
/// groups, which it does not read.
class Limits {
 public:
  [[nodiscard]] bool kept(const std::string& bytes) {
    UnknownFieldSet outer;
    if (!parse(outer, bytes) || has_groups(outer)) {
      return false;
    }
    for (int i = 0; i < outer.field_count(); ++i) {
      const UnknownField& field = outer.field(i);
      if (field.type() == UnknownField::TYPE_LENGTH_DELIMITED && field.number() >= 1 && field.number() <= 4 &&
          !part_kept(field.number(), field.length_delimited())) {
        return false;
      }
    }
    return true;
  }

 private:
  bool part_kept(int kind, const std::string& bytes) {
    if (kind != kind_) {
      kind_ = kind;
      counts_ = {};
    }
    UnknownFieldSet inner;
    if (!parse(inner, bytes) || has_groups(inner)) {
      return false;
    }
    for (int i = 0; i < inner.field_count(); ++i) {
      if (!field_kept(inner.field(i))) {
        return false;
      }
    }
    return true;
  }

  bool field_kept(const UnknownField& field) {
    const bool is_bytes = field.type() == UnknownField::TYPE_LENGTH_DELIMITED;
    switch (kind_ * 100 + field.number()) {
      case 103:
      case 307:
        return (counts_[0] += elements(field)) <= WIRE_CHANNELS;
      case 105:
        return !is_bytes || field.length_delimited().size() <= WIRE_TO_DEVICE_MOST;
      case 405:
        return !is_bytes || (++counts_[0] <= WIRE_OUTPUTS && groupless(field.length_delimited()));
      case 406:
        return !is_bytes || (++counts_[1] <= WIRE_READBACKS && groupless(field.length_delimited()));
      default:
        return true;
    }
  }

  static bool groupless(const std::string& bytes) {
    UnknownFieldSet fields;
    return parse(fields, bytes) && !has_groups(fields);
  }

  int kind_{0};
  std::array<std::size_t, 2> counts_{};
};

template <class List>
bool same(const List& list, const std::uint32_t* board, std::size_t count) {
  return static_cast<std::size_t>(list.size()) == count && std::equal(list.begin(), list.end(), board);
}

bool agrees(const proto::Tick& said, const tick& read) {
  return said.sequence() == read.sequence && said.hold_from_ticks() == read.hold_from_ticks &&
         said.lines() == read.lines && same(said.level_lsb(), read.level_lsb, read.level_count) &&
         said.device_serial() ==
             std::string(reinterpret_cast<const char*>(read.device_serial), read.device_serial_count);
}

bool agrees(const proto::Ask& said, const ask& read) {
  return static_cast<std::uint32_t>(said.question()) == read.question && said.link_version() == read.link_version;
}

bool agrees(const proto::Configure& said, const configure& read) {
  return said.link_version() == read.link_version && said.gates_used() == read.gates_used &&
         said.gates_active_low() == read.gates_active_low && said.selecting_gate() == read.selecting_gate &&
         said.two_level_channels() == read.two_level_channels && said.connected_channels() == read.connected_channels &&
         same(said.safe_lsb(), read.safe_lsb, read.safe_count) &&
         static_cast<std::uint32_t>(said.safe_outputs()) == read.safe_outputs && said.safe_lines() == read.safe_lines &&
         said.device_baud() == read.device_baud;
}

bool agrees(const proto::Calibration& said, const calibration& read) {
  bool same = said.serial_number() == read.serial_number && said.calibrated_day() == read.calibrated_day &&
              said.board_mdegc() == read.board_mdegc && said.uncertainty_uv() == read.uncertainty_uv &&
              said.valid() == read.valid && said.output_size() == read.output_count &&
              said.readback_size() == read.readback_count;
  for (int i = 0; same && i < said.output_size(); ++i) {
    same = said.output(i).zero_uv() == read.output[i].zero_uv && said.output(i).span_uv() == read.output[i].span_uv &&
           said.output(i).bow_uv() == read.output[i].bow_uv;
  }
  for (int i = 0; same && i < said.readback_size(); ++i) {
    same = said.readback(i).zero_uv() == read.readback[i].zero_uv &&
           said.readback(i).span_uv() == read.readback[i].span_uv;
  }
  return same;
}

bool agrees(const proto::ToBoard& said, const to_board& read) {
  if (static_cast<int>(said.what_case()) != static_cast<int>(read.kind)) {
    return false;
  }
  switch (said.what_case()) {
    case proto::ToBoard::kTick:
      return agrees(said.tick(), read.tick);
    case proto::ToBoard::kAsk:
      return agrees(said.ask(), read.ask);
    case proto::ToBoard::kConfigure:
      return agrees(said.configure(), read.configure);
    case proto::ToBoard::kStoreCalibration:
      return agrees(said.store_calibration(), read.calibration);
    case proto::ToBoard::WHAT_NOT_SET:
      break;
  }
  return true;
}

proto::Calibration any_calibration(Dice& dice) {
  proto::Calibration calibration;
  calibration.set_serial_number(dice.number());
  calibration.set_calibrated_day(dice.number());
  calibration.set_board_mdegc(static_cast<std::int32_t>(dice.number()));
  calibration.set_uncertainty_uv(dice.number());
  for (std::uint32_t i = dice.below(9); i > 0; --i) {
    auto* output = calibration.add_output();
    output->set_zero_uv(static_cast<std::int32_t>(dice.below(500'001)) - 250'000);
    output->set_span_uv(dice.below(10'000'001));
    output->set_bow_uv(static_cast<std::int32_t>(dice.below(500'001)) - 250'000);
  }
  for (std::uint32_t i = dice.below(7); i > 0; --i) {
    auto* readback = calibration.add_readback();
    readback->set_zero_uv(static_cast<std::int32_t>(dice.below(500'001)) - 250'000);
    readback->set_span_uv(dice.below(20'000'001));
  }
  calibration.set_valid(dice.one_in(2));
  return calibration;
}

proto::Configure any_configure(Dice& dice) {
  proto::Configure configure;
  configure.set_link_version(dice.number());
  configure.set_gates_used(dice.number());
  configure.set_gates_active_low(dice.number());
  configure.set_selecting_gate(dice.number());
  configure.set_two_level_channels(dice.number());
  configure.set_connected_channels(dice.number());
  for (std::uint32_t i = dice.below(5); i > 0; --i) {
    configure.add_safe_lsb(dice.number());
  }
  configure.set_safe_outputs(static_cast<proto::SafeOutputs>(dice.below(5)));
  configure.set_safe_lines(dice.number());
  configure.set_device_baud(dice.number());
  return configure;
}

}  // namespace

bool board_reads(const std::string& bytes, to_board& message) {
  return wire_read(reinterpret_cast<const std::uint8_t*>(bytes.data()), static_cast<std::uint8_t>(bytes.size()),
                   &message);
}

std::string disagreement(const std::string& bytes) {
  to_board read{};
  const bool taken = board_reads(bytes, read);
  proto::ToBoard said;
  const bool is_message = said.ParseFromString(bytes);
  const bool right = is_message && Limits{}.kept(bytes);
  if (taken != right) {
    return std::string("the board ") + (taken ? "takes" : "refuses") + " what the library " +
           (is_message ? "takes" : "refuses") + (is_message && !right ? " and the schema's limits do not" : "");
  }
  return taken && !agrees(said, read) ? "the board read something else than the library: " + said.ShortDebugString()
                                      : "";
}

std::uint64_t Dice::next() {
  state_ += 0x9E37'79B9'7F4A'7C15ULL;
  std::uint64_t z = state_;
  z = (z ^ (z >> 30)) * 0xBF58'476D'1CE4'E5B9ULL;
  z = (z ^ (z >> 27)) * 0x94D0'49BB'1331'11EBULL;
  return z ^ (z >> 31);
}

std::uint32_t Dice::number() {
  const std::uint32_t bits = below(33);
  const std::uint32_t power = bits == 32 ? 0 : std::uint32_t{1} << bits;
  switch (below(4)) {
    case 0:
      return power;
    case 1:
      return power - 1;
    case 2:
      return below(256);
    default:
      return static_cast<std::uint32_t>(next());
  }
}

std::string Dice::bytes(std::size_t count) {
  std::string drawn(count, '\0');
  for (char& byte : drawn) {
    byte = static_cast<char>(one_in(4) ? below(3) : below(256));
  }
  return drawn;
}

proto::ToBoard any_to_board(Dice& dice) {
  proto::ToBoard message;
  switch (dice.below(6)) {
    case 0:
      message.mutable_ask()->set_question(static_cast<proto::Ask::Question>(dice.below(8)));
      message.mutable_ask()->set_link_version(dice.number());
      break;
    case 1:
      *message.mutable_configure() = any_configure(dice);
      break;
    case 2:
      *message.mutable_store_calibration() = any_calibration(dice);
      break;
    default: {
      proto::Tick& tick = *message.mutable_tick();
      tick.set_sequence(dice.one_in(2) ? dice.below(65536) : dice.number());
      tick.set_hold_from_ticks(dice.number());
      for (std::uint32_t i = dice.one_in(3) ? dice.below(5) : 4; i > 0; --i) {
        tick.add_level_lsb(dice.number());
      }
      tick.set_lines(dice.one_in(3) ? dice.number() : dice.below(64));
      if (dice.one_in(3)) {
        tick.set_device_serial(dice.bytes(dice.below(33)));
      }
    }
  }
  return message;
}

std::string bent(std::string bytes, Dice& dice) {
  for (std::uint32_t changes = 1 + dice.below(4); changes > 0; --changes) {
    const std::size_t at = bytes.empty() ? 0 : dice.below(static_cast<std::uint32_t>(bytes.size()));
    switch (dice.below(5)) {
      case 0:
        bytes.insert(at, dice.bytes(1 + dice.below(4)));
        break;
      case 1:
        bytes.erase(at, dice.below(5));
        break;
      case 2:
        bytes.resize(at);
        break;
      case 3:
        bytes += bytes.substr(at, dice.below(40));
        break;
      default:
        if (!bytes.empty()) {
          bytes[at] = static_cast<char>(bytes[at] ^ (1 << dice.below(8)));
        }
    }
  }
  bytes.resize(std::min<std::size_t>(bytes.size(), FRAME_MESSAGE_MOST));
  return bytes;
}

}  // namespace dawnrig::interface_board
