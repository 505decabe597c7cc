// Package export writes measured swings for other programs: tables with a row a
// measure (CSV by RFC 4180, Apache Parquet, Office Open XML workbooks), and the
// joints' paths as marker files of the biomechanics trade (TRC, C3D).
//
// Tables give each value in the trade's unit, with its UCUM code, and again in SI
// units. Every value stands with its standard uncertainty, its 95 % interval and
// its grade; a measure that could not be had has a row too, with the reason.
package export
