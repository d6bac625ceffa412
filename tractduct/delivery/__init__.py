"""What a built system delivers: airflow with the sizes fixed, balancing, substitution."""
