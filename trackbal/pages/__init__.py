"""Pictures and pages to print: the job card, the run sheet, the page of a fit."""
