package main

import (
	"context"
	"errors"
	"io"
	"time"

	"spoilbook/events"
	"spoilbook/reports/cells"
	regbook "spoilbook/reports/register"
	"spoilbook/services/register"
	"spoilbook/services/sheets"
)

// exchange is what the pages write and read as files.
type exchange struct{}

// WriteForm writes a form as a workbook.
func (exchange) WriteForm(ctx context.Context, w io.Writer, form *cells.Form) error {
	return sheets.Form(ctx, w, form)
}

// ReadWorkbook reads the cells of a workbook.
func (exchange) ReadWorkbook(content []byte) (*cells.Workbook, error) { return sheets.Read(content) }

// RegisterText returns revisions as register files by name.
func (exchange) RegisterText(revs []events.RegisterRevised) (map[string][]byte, error) {
	return register.Write(revs)
}

// RegisterForm returns revisions as a workbook.
func (exchange) RegisterForm(revs []events.RegisterRevised) (*cells.Form, error) {
	return register.Workbook(revs)
}

// ReadRegisterText reads register files by name.
func (exchange) ReadRegisterText(files map[string][]byte, known *regbook.Book) ([]events.RegisterRevised, error) {
	return register.Loader{Known: known}.ReadFiles(files)
}

// ReadRegisterWorkbook reads a workbook of the register.
func (exchange) ReadRegisterWorkbook(wb *cells.Workbook, known *regbook.Book, author string, zone *time.Location) ([]events.RegisterRevised, error) {
	return register.Loader{Known: known}.Workbook(wb, author, zone)
}

// Standing returns the revisions that were not replaced for the same time.
func (exchange) Standing(known *regbook.Book) []events.RegisterRevised {
	return register.Standing(known)
}

// Changed returns the revisions that known does not hold word for word.
func (exchange) Changed(revs []events.RegisterRevised, known *regbook.Book) ([]events.RegisterRevised, error) {
	return register.Changed(revs, known)
}

// Verify says what is wrong with revisions beside what is known, by field.
func (exchange) Verify(revs []events.RegisterRevised, known *regbook.Book) []events.FieldError {
	var p *register.Problems
	if !errors.As(register.Loader{Known: known}.Verify(revs), &p) {
		return nil
	}
	list := make([]events.FieldError, len(p.List))
	for i, one := range p.List {
		list[i] = events.FieldError{Field: one.Field, Found: one.Found, Allowed: one.Allowed}
	}
	return list
}

// RegisterEvents makes revisions into events of the register's desk.
func (exchange) RegisterEvents(revs []events.RegisterRevised, known *regbook.Book, firstSeq uint64, occurred events.Time) ([]events.Event, error) {
	list, err := register.Events(revs, known, registerDesk, firstSeq, occurred)
	for i := range list {
		list[i].Origin = events.FromOffice
	}
	return list, err
}
