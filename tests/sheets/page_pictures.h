// Pages and pictures as pixels, for the tests of sheets: poppler renders the PDFs.
#pragma once

#include <gtest/gtest.h>

#include <opencv2/core.hpp>
#include <string>
#include <vector>

namespace rebite::maker {

// 8-bit grey of any PNG in memory (libpng's simplified reader).
cv::Mat1b png_grey(const std::string& bytes);
// Pages first..last (from 1) at a resolution, by pdftoppm.
std::vector<cv::Mat1b> pdf_pages(const std::string& pdf, double dpi, int first, int last);
// What pdftotext reads, in the order of the page (-layout).
std::string pdf_text(const std::string& pdf, int first = 1, int last = 1000);
// "key: value" of pdfinfo; empty where there is none.
std::string pdf_info(const std::string& pdf, const std::string& key);

// Height of the capitals of the largest place where a page has this word, in mm (pdftotext -bbox;
// the box is the font's ascent and descent, 1.164 em of DejaVu Sans Bold, a capital 0.729 em).
double capital_mm(const std::string& pdf, int page, const std::string& word);
// All pages as one picture, row by row, on grey.
cv::Mat1b contact_sheet(const std::vector<cv::Mat1b>& pages, int columns);

// Compares with tests/sheets/reference/NAME.png: same size; the mean difference over blocks of
// 8 x 8 pixels never above 14 of 255 and 1.5 on average (letters may move a fraction of a pixel
// from one library version to the next). REBITE_NEW_REFERENCES=1 writes the file instead.
testing::AssertionResult like_reference(const std::string& name, const cv::Mat1b& picture);
cv::Mat1b scaled_to_width(const cv::Mat1b& picture, int width);

}  // namespace rebite::maker
