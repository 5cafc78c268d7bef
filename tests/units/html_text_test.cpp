#include "units/html_text.h"

#include <gtest/gtest.h>

#include "units/bite_time.h"

namespace rebite {
namespace {

TEST(HtmlText, MarkupBecomesText) {
  EXPECT_EQ(html_text("<b title=\"x\">Lock & 'snow'</b>"),
            "&lt;b title=&quot;x&quot;&gt;Lock &amp; &#39;snow&#39;&lt;/b&gt;");
  EXPECT_EQ(html_text("± 0.03 — ö"), "± 0.03 — ö");
}

TEST(HtmlText, ControlCharactersThatXmlForbidsBecomeSpaces) {
  EXPECT_EQ(html_text(std::string("a\x01"
                                  "b\x1f"
                                  "c\0d",
                                  7)),
            "a b c d");
  EXPECT_EQ(html_text("a\tb\nc\r"), "a\tb\nc\r");
}

// The test vectors of RFC 4648, section 10.
TEST(Base64, TheVectorsOfRfc4648) {
  EXPECT_EQ(base64(""), "");
  EXPECT_EQ(base64("f"), "Zg==");
  EXPECT_EQ(base64("fo"), "Zm8=");
  EXPECT_EQ(base64("foo"), "Zm9v");
  EXPECT_EQ(base64("foob"), "Zm9vYg==");
  EXPECT_EQ(base64("fooba"), "Zm9vYmE=");
  EXPECT_EQ(base64("foobar"), "Zm9vYmFy");
}

TEST(DurationText, SaysSpansInWords) {
  EXPECT_EQ(duration_text(BiteTime::seconds(45)), "45 s");
  EXPECT_EQ(duration_text(BiteTime::seconds(60)), "1 min");
  EXPECT_EQ(duration_text(BiteTime::seconds(90)), "1 min 30 s");
  EXPECT_EQ(duration_text(BiteTime::minutes(24)), "24 min");
  EXPECT_EQ(duration_text(BiteTime::minutes(59.7)), "1 h");
  EXPECT_EQ(duration_text(BiteTime::minutes(105)), "1 h 45 min");
  EXPECT_EQ(duration_text(BiteTime::minutes(0)), "0 s");
}

}  // namespace
}  // namespace rebite
