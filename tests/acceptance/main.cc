#include "harness/testing/suite.h"

int main(int argc, char** argv) {
  return dawnrig::testing::run_suite(argc, argv);
}
