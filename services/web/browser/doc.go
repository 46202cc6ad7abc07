// Package browser holds tests of the pages in a real browser, a headless Chromium: every page in every form it is shown in, the whole tasks of
// each role from signing in to the download, and what happens when the network is cut, when two people change one thing, and when somebody
// goes back, reloads or uses the keyboard alone. The tests run the program itself as a process, with the invented month in its ledger.
//
// Where SPOILBOOK_SCREENSHOTS names a folder, a picture of every page in every form is kept there for people to look at:
//
//	SPOILBOOK_SCREENSHOTS=/tmp/pages go test ./services/web/browser
package browser
