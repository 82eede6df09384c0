#include <google/protobuf/descriptor.h>
#include <google/protobuf/message.h>

#include <map>
#include <utility>

#include "harness/base/text.h"
#include "harness/base/textproto_parts.h"
#include "harness/base/textproto_values.h"
#include "harness/base/units.h"

namespace dawnrig::base::textproto {
namespace {

using google::protobuf::Descriptor;
using google::protobuf::FieldDescriptor;
using google::protobuf::Message;
using google::protobuf::OneofDescriptor;

std::vector<std::string> field_names(const Descriptor& type) {
  std::vector<std::string> names;
  names.reserve(static_cast<std::size_t>(type.field_count()));
  for (int i = 0; i < type.field_count(); ++i) names.push_back(type.field(i)->name());
  return names;
}

// "r_top_kohm" and "r_top" are both r_top_ohm in another unit.
std::optional<std::string> same_in_another_unit(std::string_view word, const std::vector<std::string>& names) {
  const auto split_word = split_unit(word);
  for (const std::string& name : names) {
    const auto split_name = split_unit(name);
    if (!split_name) continue;
    if (split_name->stem == word || (split_word && split_name->stem == split_word->stem)) return name;
  }
  return std::nullopt;
}

std::string closing(const std::string& opening) {
  if (opening == "{") return "}";
  return opening == "<" ? ">" : "]";
}

// Every member function returns false after a syntax error: nothing can be made of the rest.
class Reader {
 public:
  Reader(std::string_view text, FileComplaints& complaints, Reading& reading)
      : tokens_(text), complaints_(complaints), reading_(reading) {}

  bool file(Message& message) {
    while (tokens_.current().kind != TokenKind::kEnd || !tokens_.fault().empty()) {
      if (!field("", message)) return false;
    }
    return true;
  }

 private:
  bool block(const std::string& path, Message& message) {
    const Token opening = tokens_.take();
    while (!tokens_.current().is(closing(opening.text))) {
      if (tokens_.current().kind == TokenKind::kEnd && tokens_.fault().empty()) return not_closed(opening);
      if (!field(path, message)) return false;
    }
    tokens_.take();
    return true;
  }

  bool field(const std::string& path, Message& message) {
    const Token name = tokens_.current();
    if (!tokens_.fault().empty()) return syntax(tokens_.fault());
    if (name.is("[")) return syntax("extensions are not used in these files");
    if (name.is("/")) return syntax("expected the name of a field, found \"/\"; comments begin with #");
    if (name.kind != TokenKind::kName) return syntax("expected the name of a field, found " + words_of(name));
    tokens_.take();
    const FieldDescriptor* field = message.GetDescriptor()->FindFieldByName(name.text);
    bool good = false;
    if (field == nullptr) {
      unknown(path, name, message);
      good = skip_value(name.text);
    } else if (is_second(path, name, *field)) {
      good = skip_value(name.text);
    } else {
      good = known(path, name, *field, message);
    }
    return good && separator(joined_path(path, name.text));
  }

  void unknown(const std::string& path, const Token& name, const Message& message) {
    const std::vector<std::string> names = field_names(*message.GetDescriptor());
    const std::string field = joined_path(path, name.text);
    std::optional<std::string> meant = same_in_another_unit(name.text, names);
    if (meant) {
      const std::string unit(split_unit(*meant)->unit);
      complaints_.add_at(name.place, field, "unknown; did you mean " + *meant + " (" + unit + ")?");
    } else {
      complaints_.add_at(name.place, field, "unknown" + did_you_mean(name.text, names));
      meant = nearest(name.text, names);
    }
    if (meant) reading_.excused.insert(joined_path(path, *meant));
  }

  // A singular field written again, or another member of a choice already made.
  bool is_second(const std::string& path, const Token& name, const FieldDescriptor& field) {
    if (field.is_repeated()) return false;
    const std::string own = joined_path(path, name.text);
    if (const auto first = complaints_.locations.entry(own)) {
      const std::string line = std::to_string(first->name.line);
      complaints_.add_at(name.place, own, "is written twice, first in line " + line);
      return true;
    }
    const OneofDescriptor* choice = field.real_containing_oneof();
    for (int i = 0; choice != nullptr && i < choice->field_count(); ++i) {
      const std::string& other = choice->field(i)->name();
      if (const auto first = complaints_.locations.entry(joined_path(path, other))) {
        const std::string line = std::to_string(first->name.line);
        std::string message = "cannot stand beside ";
        message.append(other).append(" of line ").append(line).append(": only one ").append(choice->name());
        complaints_.add_at(name.place, own, std::move(message));
        return true;
      }
    }
    return false;
  }

  bool known(const std::string& path, const Token& name, const FieldDescriptor& field, Message& message) {
    const bool colon = tokens_.take_if(":");
    const bool is_message = field.cpp_type() == FieldDescriptor::CPPTYPE_MESSAGE;
    const Token& next = tokens_.current();
    if (!colon && !(is_message && (next.is("{") || next.is("<") || next.is("[")))) {
      return syntax("expected \":\"" + std::string(is_message ? " or \"{\"" : "") + " after " + name.text + ", found " +
                    words_of(tokens_.current()));
    }
    if (!tokens_.current().is("[")) return value(path, name, field, message);
    if (!field.is_repeated()) {
      return wrong(joined_path(path, name.text), name, "is a list, must be " + wanted(field)) && skip_brackets();
    }
    const Token opening = tokens_.take();
    if (tokens_.take_if("]")) return true;
    do {
      if (tokens_.current().kind == TokenKind::kEnd && tokens_.fault().empty()) return not_closed(opening);
      if (!value(path, name, field, message)) return false;
    } while (tokens_.take_if(","));
    return tokens_.take_if("]") || syntax("expected \",\" or \"]\" in a list, found " + words_of(tokens_.current()));
  }

  bool value(const std::string& path, const Token& name, const FieldDescriptor& field, Message& message) {
    if (!tokens_.fault().empty()) return syntax(tokens_.fault());
    std::string own = joined_path(path, name.text);
    if (field.is_repeated()) own += '[' + std::to_string(count_[own]++) + ']';
    const Token& next = tokens_.current();
    const bool block_follows = next.is("{") || next.is("<");
    complaints_.locations.record(own, {name.place, next.place, block_follows});
    const bool is_message = field.cpp_type() == FieldDescriptor::CPPTYPE_MESSAGE;
    if (block_follows) {
      if (!is_message) return wrong(own, name, "is a block, must be " + wanted(field)) && skip_brackets();
      auto* reflection = message.GetReflection();
      return block(own, field.is_repeated() ? *reflection->AddMessage(&message, &field)
                                            : *reflection->MutableMessage(&message, &field));
    }
    Literal literal;
    if (!take_literal(name.text, literal)) return false;
    std::string fault = put_value(literal, field, message);
    if (literal.word.is_number() && tokens_.current().kind == TokenKind::kName && tokens_.current().adjacent) {
      fault = "is " + literal.as_written() + tokens_.take().text + ", must be " + wanted(field) +
              " alone: the unit is in the name of the field";
    }
    if (!fault.empty()) wrong_at(literal.word.place, own, fault);
    return true;
  }

  bool take_literal(const std::string& name, Literal& literal) {
    const Locations::Place start = tokens_.current().place;
    literal.negative = tokens_.take_if("-");
    if (!tokens_.fault().empty()) return syntax(tokens_.fault());
    const Token& now = tokens_.current();
    if (now.kind == TokenKind::kSymbol || now.kind == TokenKind::kEnd) {
      return syntax("expected a value for " + name + ", found " + words_of(now));
    }
    literal.word = tokens_.take();
    literal.word.place = start;
    if (literal.word.kind == TokenKind::kString) literal.bytes = unquoted(literal.word.text);
    while (literal.word.kind == TokenKind::kString && tokens_.current().kind == TokenKind::kString) {
      literal.bytes += unquoted(tokens_.take().text);
    }
    return true;
  }

  // Between fields a comma or semicolon may stand. A number cannot begin a field, so after a comma it is a fraction
  // written the way half of the world writes it.
  bool separator(const std::string& path) {
    if (!tokens_.fault().empty()) return syntax(tokens_.fault());
    if (tokens_.take_if(";") || !tokens_.take_if(",")) return true;
    if (tokens_.current().kind != TokenKind::kInteger) return true;
    const Locations::Place place = complaints_.locations.of(path);
    const std::string fraction = tokens_.take().text;
    wrong_at(place, path, "has a comma before " + fraction + ", must be written with a point");
    return true;
  }

  bool skip_value(const std::string& name) {
    tokens_.take_if(":");
    if (tokens_.current().is("{") || tokens_.current().is("<") || tokens_.current().is("[")) return skip_brackets();
    Literal literal;
    if (!take_literal(name, literal)) return false;
    if (tokens_.current().kind == TokenKind::kName && tokens_.current().adjacent) tokens_.take();
    return true;
  }

  // By a stack of its own: a hostile file can nest deeper than the program's.
  bool skip_brackets() {
    std::vector<Token> open;
    do {
      const Token& now = tokens_.current();
      if (!tokens_.fault().empty()) return syntax(tokens_.fault());
      if (now.kind == TokenKind::kEnd) return not_closed(open.back());
      if (now.is("{") || now.is("<") || now.is("[")) {
        open.push_back(now);
      } else if (now.is("}") || now.is(">") || now.is("]")) {
        const std::string right = closing(open.back().text);
        if (!now.is(right)) return syntax("expected \"" + right + "\", found " + words_of(now));
        open.pop_back();
      }
      tokens_.take();
    } while (!open.empty());
    return true;
  }

  bool wrong(const std::string& path, const Token& name, std::string message) {
    return wrong_at(name.place, path, std::move(message));
  }
  bool wrong_at(Locations::Place place, const std::string& path, std::string message) {
    complaints_.add_at(place, path, std::move(message));
    reading_.excused.insert(path);
    return true;
  }

  bool syntax(std::string message) {
    complaints_.add_at(tokens_.current().place, "", std::move(message) + "; nothing after this was read");
    return false;
  }
  bool not_closed(const Token& opening) {
    return syntax("the \"" + opening.text + "\" of line " + std::to_string(opening.place.line) + " is not closed");
  }
  static std::string words_of(const Token& token) {
    if (token.kind == TokenKind::kEnd) return "the end of the file";
    return token.kind == TokenKind::kString ? token.text : '"' + token.text + '"';
  }

  Tokens tokens_;
  FileComplaints& complaints_;
  Reading& reading_;
  std::map<std::string, int> count_;  // of elements read so far, by the path of their repeated field
};

}  // namespace

Reading read_fields(std::string_view text, Message& message, FileComplaints& complaints) {
  Reading reading;
  Reader reader(text, complaints, reading);
  reading.complete = reader.file(message);
  return reading;
}

}  // namespace dawnrig::base::textproto
