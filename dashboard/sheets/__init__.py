"""What is printed or taken along: the notice at the tap (PDF), the trips as a sheet (HTML), dates for somebody's
calendar (iCalendar); the record of months (`record_files`: CSV, workbook, PDF) and lists (`tabular`)."""
