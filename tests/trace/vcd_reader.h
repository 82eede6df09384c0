// A small reader of value change dumps, written from the grammar of IEEE 1364 and not from our writer.
#pragma once

#include <gtest/gtest.h>

#include <cstdint>
#include <map>
#include <sstream>
#include <string>
#include <vector>

namespace dawnrig::trace {

struct VcdChange {
  std::int64_t time{};
  std::string value;  // "0", "1", "x", or a real as text
};

struct VcdVariable {
  std::string type, name;
  int size{};
  std::vector<VcdChange> changes;
  /// What a viewer shows at `time`.
  [[nodiscard]] std::string at(std::int64_t time) const {
    std::string value = "(nothing)";
    for (const VcdChange& change : changes) {
      if (change.time <= time) value = change.value;
    }
    return value;
  }
};

struct Vcd {
  std::map<std::string, std::string> sections;  // "$timescale" and the like, last of each kind
  std::map<std::string, VcdVariable> by_name;
  std::int64_t end{-1};
};

class VcdReader {
 public:
  explicit VcdReader(const std::string& text) : in_{text} {}

  Vcd read() {
    std::string word;
    while (!defined_ && in_ >> word) section(word);
    EXPECT_TRUE(defined_) << "no $enddefinitions";
    while (in_ >> word) change(word);
    EXPECT_FALSE(in_dumpvars_) << "$dumpvars without $end";
    for (const auto& [code, name] : name_of_) {
      EXPECT_FALSE(vcd_.by_name[name].changes.empty()) << name << " has no initial value";
    }
    return vcd_;
  }

 private:
  void section(const std::string& keyword) {
    ASSERT_EQ(keyword[0], '$') << keyword;
    std::vector<std::string> words;
    for (std::string word; in_ >> word && word != "$end";) words.push_back(word);
    std::string all;
    for (const std::string& word : words) all += (all.empty() ? "" : " ") + word;
    vcd_.sections[keyword] = all;
    if (keyword == "$enddefinitions") defined_ = true;
    if (keyword == "$scope") ++depth_;
    if (keyword == "$upscope") --depth_;
    if (keyword != "$var") return;
    ASSERT_EQ(words.size(), 4U) << all;
    ASSERT_EQ(depth_, 1) << "a variable outside a scope";
    ASSERT_TRUE(name_of_.emplace(words[2], words[3]).second) << "two variables with the code " << words[2];
    vcd_.by_name[words[3]] = {words[0], words[3], std::stoi(words[1]), {}};
  }

  void change(const std::string& word) {
    if (word[0] == '#') {
      const std::int64_t time = std::stoll(word.substr(1));
      ASSERT_GT(time, vcd_.end) << "time does not move on";
      vcd_.end = time;
    } else if (word == "$dumpvars" || word == "$end") {
      ASSERT_NE(in_dumpvars_, word == "$dumpvars");
      in_dumpvars_ = word == "$dumpvars";
    } else if (word[0] == 'r') {
      std::string code;
      ASSERT_TRUE(in_ >> code);
      keep(code, word.substr(1), "real");
    } else {
      ASSERT_NE(std::string{"01xz"}.find(word[0]), std::string::npos) << word;
      keep(word.substr(1), word.substr(0, 1), "wire");
    }
  }

  void keep(const std::string& code, const std::string& value, const std::string& type) {
    ASSERT_EQ(name_of_.count(code), 1U) << "a value for the unknown code " << code;
    VcdVariable& variable = vcd_.by_name[name_of_[code]];
    ASSERT_EQ(variable.type, type) << variable.name;
    ASSERT_GE(vcd_.end, 0) << "a value before any time";
    ASSERT_TRUE(variable.changes.empty() || variable.changes.back().time < vcd_.end)
        << variable.name << " changes twice";
    variable.changes.push_back({vcd_.end, value});
  }

  std::istringstream in_;
  Vcd vcd_;
  std::map<std::string, std::string> name_of_;  // by code
  bool defined_{false};
  bool in_dumpvars_{false};
  int depth_{0};
};

}  // namespace dawnrig::trace
