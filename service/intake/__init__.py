"""Every way records, readings and weather come in. All readings end in one typed `Batch`. No physics here."""
