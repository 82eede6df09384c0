// A folder of its own for each test, gone afterwards.
#pragma once

#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>
#include <string>
#include <string_view>

namespace dawnrig::base::testing {

class ScratchFolder : public ::testing::Test {
 protected:
  void SetUp() override {
    const auto* info = ::testing::UnitTest::GetInstance()->current_test_info();
    folder_ = std::filesystem::temp_directory_path() /
              ("dawnrig-" + std::string(info->test_suite_name()) + "-" + info->name() + "-" + std::to_string(getpid()));
    std::filesystem::create_directories(folder_);
  }
  void TearDown() override { std::filesystem::remove_all(folder_); }

  [[nodiscard]] std::filesystem::path place(std::string_view name) const { return folder_ / name; }
  std::filesystem::path write(std::string_view name, std::string_view bytes) const {
    std::ofstream(place(name), std::ios::binary) << bytes;
    return place(name);
  }
  /// A message with the name of this test's folder taken out.
  [[nodiscard]] std::string local(std::string message) const {
    const std::string folder = folder_.string() + "/";
    for (std::size_t at = message.find(folder); at != std::string::npos; at = message.find(folder)) {
      message.erase(at, folder.size());
    }
    return message;
  }

 private:
  std::filesystem::path folder_;
};

}  // namespace dawnrig::base::testing
